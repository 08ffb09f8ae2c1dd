package fhirhttp

import (
	"strings"

	"github.com/go-json-experiment/json/jsontext"

	"pupilrisk/fhirmap"
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

// inspect goes over the body of an answer, to its end: one cut short is an error.
func inspect(body []byte) (t fhirmap.Text, head resourceHead, err error) {
	if t, err = fhirmap.Scan(body); err != nil {
		return fhirmap.Text{}, head, ErrNotFHIR
	}
	if head = headOf(t); head.kind == "" {
		t.Free()
		return fhirmap.Text{}, head, ErrNotFHIR
	}
	return t, head, nil
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
func (a *Answer) confirm(operation, path string, e fhirmap.BundleEntry) error {
	wantType, wantID := asked(path)
	head := headOf(e.Text())
	switch {
	case head.kind == "", head.kind == "OperationOutcome" && wantType != "OperationOutcome":
		issues, _ := issueCodes(a.Body)
		return &Error{Operation: operation, Status: a.Status, Issues: issues, kind: Unavailable, weak: true, err: ErrNotFHIR}
	case !head.is(wantType, wantID):
		return ErrEntries
	case wantID != "":
		a.setETag(head)
	}
	return nil
}

func headOf(t fhirmap.Text) (head resourceHead) {
	head.kind, head.id, head.version = t.Identity()
	return head
}

// Release lets further answers use the memory of the Texts of these, of which none may be read afterwards. It need not be called.
func Release(answers []Answer) {
	var last fhirmap.Text
	for i := range answers { // those of one batch are parts of the same, and follow each other
		t := answers[i].Text
		answers[i].Text = fhirmap.Text{}
		if t != (fhirmap.Text{}) && !t.PartOf(last) {
			t.Free()
			last = t
		}
	}
}

// walkEntries calls each for every entry of a batch-response or transaction-response, in order, and gives the text of which the entries
// are parts. The error is each's, ErrNotFHIR if body is not a whole Bundle, or ErrEntries for an entry without a status; then there is no
// text.
func walkEntries(body []byte, each func(fhirmap.BundleEntry) error) (fhirmap.Text, error) {
	t, err := fhirmap.Scan(body)
	if err != nil {
		return t, ErrNotFHIR
	}
	var fault error // each's, or of an entry
	_, err = t.WalkBundle(fhirmap.Limits{}, func(e fhirmap.BundleEntry) error {
		if fault = ErrEntries; e.Status != 0 {
			fault = each(e)
		}
		return fault
	})
	if err != nil && fault == nil {
		fault = ErrNotFHIR
	}
	if fault != nil {
		t.Free()
		return fhirmap.Text{}, fault
	}
	return t, nil
}

func object(v jsontext.Value) jsontext.Value {
	if v.Kind() != '{' {
		return nil
	}
	return v
}
