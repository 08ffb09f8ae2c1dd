package fhirstore

import (
	"fmt"
	"net/http"

	"github.com/go-json-experiment/json"
)

// failure is a refused interaction: its HTTP status, and the code and text of the one issue in the OperationOutcome. The
// text names no resource and repeats nothing of the request.
type failure struct {
	status int
	code   string // http://hl7.org/fhir/issue-type
	text   string
}

func (f *failure) Error() string { return fmt.Sprintf("%d %s: %s", f.status, f.code, f.text) }

func refuse(status int, code, text string) *failure {
	return &failure{status: status, code: code, text: text}
}

func invalid(text string) *failure { return refuse(http.StatusBadRequest, "invalid", text) }

func notFound() *failure { return refuse(http.StatusNotFound, "not-found", "no such resource") }

type outcome struct {
	ResourceType string  `json:"resourceType"`
	Issue        []issue `json:"issue"`
}

type issue struct {
	Severity    string `json:"severity"`
	Code        string `json:"code"`
	Diagnostics string `json:"diagnostics"`
}

// outcome is the failure as an OperationOutcome.
func (f *failure) outcome() []byte {
	return mustJSON(outcome{"OperationOutcome", []issue{{"error", f.code, f.text}}})
}

// mustJSON marshals values of our own types, which cannot fail.
func mustJSON(v any) []byte {
	b, err := json.Marshal(v, json.Deterministic(true))
	if err != nil {
		panic(err)
	}
	return b
}
