package fhirhttp

import (
	"bytes"
	"errors"
	"io"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// asked is the resource type, and for a read the id, that the answer to a path must have.
func asked(path string) (resourceType, id string) {
	p, _, search := strings.Cut(path, "?")
	kind, rest, one := strings.Cut(p, "/")
	switch {
	case search, rest != "" && strings.Contains(rest, "/") && !strings.Contains(rest, "/_history/"):
		return "Bundle", ""
	case p == "metadata":
		return "CapabilityStatement", ""
	case !one:
		return "Bundle", ""
	}
	id, _, _ = strings.Cut(rest, "/")
	return kind, id
}

// resourceHead is what tells a resource from another.
type resourceHead struct {
	kind, id, version string
}

// inspect reads the head of a resource. With whole it also goes on to the end, so that a body cut short is an error; without, the
// body is known to be whole and inspect stops as soon as it has seen what it needs.
func inspect(body []byte, whole bool) (resourceHead, error) {
	var head resourceHead
	d := jsontext.NewDecoder(bytes.NewBuffer(body), lenient)
	if t, err := d.ReadToken(); err != nil || t.Kind() != '{' {
		return head, ErrNotFHIR
	}
	for d.PeekKind() != '}' {
		name, err := d.ReadToken()
		if err != nil {
			return head, ErrNotFHIR
		}
		var value *string
		switch name.String() {
		case "resourceType":
			value = &head.kind
		case "id":
			value = &head.id
		case "meta":
			if head.version, err = readVersion(d); err != nil {
				return head, err
			}
			continue
		}
		if value == nil || d.PeekKind() != '"' {
			if d.SkipValue() != nil {
				return head, ErrNotFHIR
			}
			continue
		}
		t, err := d.ReadToken()
		if err != nil {
			return head, ErrNotFHIR
		}
		*value = t.String()
		if !whole && head.kind != "" && (head.kind == "Bundle" || (head.id != "" && head.version != "")) {
			return head, nil
		}
	}
	if _, err := d.ReadToken(); err != nil {
		return head, ErrNotFHIR
	}
	if whole {
		if _, err := d.ReadToken(); !errors.Is(err, io.EOF) {
			return head, ErrNotFHIR
		}
	}
	if head.kind == "" {
		return head, ErrNotFHIR
	}
	return head, nil
}

// readVersion reads the next value, a Meta, for its versionId.
func readVersion(d *jsontext.Decoder) (string, error) {
	v, err := d.ReadValue()
	if err != nil {
		return "", ErrNotFHIR
	}
	var meta struct {
		VersionID string `json:"versionId"`
	}
	if json.Unmarshal(v, &meta, lenient) != nil {
		return "", nil
	}
	return meta.VersionID, nil
}

// is says whether a resource is the one that asked told to expect.
func (h resourceHead) is(resourceType, id string) bool {
	return h.kind == resourceType && (id == "" || h.id == id)
}

// take fills in how the request ended. Of an answer that is no use only an OperationOutcome is kept.
func (a *Answer) take(r reply, err error) {
	a.Status, a.Err = r.status, err
	if err != nil {
		if _, outcome := issueCodes(r.body); !outcome {
			return
		}
	}
	if len(r.body) > 0 {
		a.Body = r.body
	}
}

// setETag makes an ETag where the server sent none: it is the weak form of meta.versionId (FHIR R4, http.html, "Version ids").
func (a *Answer) setETag(h resourceHead) {
	if a.ETag == "" && h.version != "" {
		a.ETag = `W/"` + h.version + `"`
	}
}

// confirm checks that a batch entry is what was asked for in its place. A resource of another id shows that the entries do not
// stand in the order asked, so that none can be trusted (ErrEntries).
func (a *Answer) confirm(operation, path string) error {
	wantType, wantID := asked(path)
	head, err := inspect(a.Body, false)
	switch {
	case err != nil, head.kind == "OperationOutcome" && wantType != "OperationOutcome":
		issues, _ := issueCodes(a.Body)
		return &Error{Operation: operation, Status: a.Status, Issues: issues, kind: Unavailable, weak: true, err: ErrNotFHIR}
	case !head.is(wantType, wantID):
		return ErrEntries
	case wantID != "":
		a.setETag(head)
	}
	return nil
}

// entry is one entry of a batch-response or transaction-response. Its bytes are part of the answer's.
type entry struct {
	status         int
	etag, location string
	resource       jsontext.Value
	outcome        jsontext.Value
}

// walkEntries calls each for every entry of a batch-response or transaction-response, in order. The error is each's, ErrNotFHIR
// if body is not a whole Bundle, or ErrEntries for an entry without a status.
func walkEntries(body []byte, each func(entry) error) error {
	var bundle struct {
		ResourceType string `json:"resourceType"`
		Entry        []struct {
			Resource jsontext.Value `json:"resource"`
			Response struct {
				Status   string         `json:"status"`
				ETag     string         `json:"etag"`
				Location string         `json:"location"`
				Outcome  jsontext.Value `json:"outcome"`
			} `json:"response"`
		} `json:"entry"`
	}
	if json.Unmarshal(body, &bundle, lenient) != nil || bundle.ResourceType != "Bundle" {
		return ErrNotFHIR
	}
	for _, e := range bundle.Entry {
		n := statusOf(e.Response.Status)
		if n == 0 {
			return ErrEntries
		}
		err := each(entry{
			status: n, etag: e.Response.ETag, location: e.Response.Location, resource: object(e.Resource), outcome: object(e.Response.Outcome),
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func object(v jsontext.Value) jsontext.Value {
	if v.Kind() != '{' {
		return nil
	}
	return v
}

// statusOf reads the status of an entry, "200" or "201 Created"; 0 if it is none.
func statusOf(s string) int {
	if len(s) < 3 || (len(s) > 3 && s[3] != ' ') {
		return 0
	}
	n := 0
	for i := range 3 {
		if s[i] < '0' || s[i] > '9' {
			return 0
		}
		n = n*10 + int(s[i]-'0')
	}
	if n < 100 || n > 599 {
		return 0
	}
	return n
}
