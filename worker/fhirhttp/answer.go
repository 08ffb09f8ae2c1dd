package fhirhttp

import (
	"bytes"
	"errors"
	"io"
	"strings"

	"github.com/go-json-experiment/json"
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

// inspect reads the head of a resource, to the end of the body: one cut short is an error.
func inspect(body []byte) (resourceHead, error) {
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
	}
	if _, err := d.ReadToken(); err != nil {
		return head, ErrNotFHIR
	}
	if _, err := d.ReadToken(); !errors.Is(err, io.EOF) {
		return head, ErrNotFHIR
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
func (a *Answer) confirm(operation, path string, e fhirmap.BundleEntry) error {
	wantType, wantID := asked(path)
	head := headOf(e)
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

func headOf(e fhirmap.BundleEntry) (head resourceHead) {
	head.kind, head.id, head.version = e.Identity()
	return head
}

// walkEntries calls each for every entry of a batch-response or transaction-response, in order. The error is each's, ErrNotFHIR
// if body is not a whole Bundle, or ErrEntries for an entry without a status. What an entry holds is part of body.
func walkEntries(body []byte, each func(fhirmap.BundleEntry) error) error {
	var fault error // each's, or of an entry
	_, err := fhirmap.WalkBundle(body, fhirmap.Limits{}, func(e fhirmap.BundleEntry) error {
		if fault = ErrEntries; e.Status != 0 {
			fault = each(e)
		}
		return fault
	})
	if err != nil && fault == nil {
		return ErrNotFHIR
	}
	return fault
}

func object(v jsontext.Value) jsontext.Value {
	if v.Kind() != '{' {
		return nil
	}
	return v
}
