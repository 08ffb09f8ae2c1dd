package fhirstore

import (
	"bytes"
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// bundleRequest is what is read of a batch or transaction Bundle; the resources stay raw.
type bundleRequest struct {
	ResourceType string         `json:"resourceType"`
	Type         string         `json:"type"`
	Entry        []entryRequest `json:"entry"`
}

type entryRequest struct {
	FullURL  string         `json:"fullUrl"`
	Resource jsontext.Value `json:"resource"`
	Request  struct {
		Method      string `json:"method"`
		URL         string `json:"url"`
		IfMatch     string `json:"ifMatch"`
		IfNoneExist string `json:"ifNoneExist"`
		IfNoneMatch string `json:"ifNoneMatch"`
	} `json:"request"`
}

// readBundle reads a batch or transaction. It is strict in JSON and lenient in FHIR: elements it does not know are passed
// over.
func readBundle(body []byte) (bundleRequest, error) {
	var b bundleRequest
	if err := json.Unmarshal(body, &b); err != nil {
		return bundleRequest{}, refuse(http.StatusBadRequest, "structure", "the Bundle cannot be read")
	}
	if b.ResourceType != "Bundle" || b.Type != "batch" && b.Type != "transaction" {
		return bundleRequest{}, invalid("a Bundle of type batch or transaction is wanted")
	}
	return b, nil
}

// call is the entry as a call of its own.
func (e entryRequest) call(outer call) call {
	path, query, _ := strings.Cut(strings.TrimPrefix(e.Request.URL, outer.base+"/"), "?")
	return call{
		method: e.Request.Method, segments: segments(path), query: query, base: outer.base, body: e.Resource, inBundle: true,
		ifMatch: e.Request.IfMatch, ifNoneExist: e.Request.IfNoneExist, ifNoneMatch: e.Request.IfNoneMatch, minimal: outer.minimal, strict: outer.strict,
	}
}

func (s *Store) takesBundles() bool { return s.options.Batch || s.options.Transaction }

func (s *Store) bundle(c call) (answer, error) {
	if !s.takesBundles() {
		return answer{}, refuse(http.StatusNotFound, "not-supported", "Bundles are not taken here")
	}
	b := c.bundle
	calls := make([]call, len(b.Entry))
	for i, e := range b.Entry {
		calls[i] = e.call(c)
	}
	switch {
	case b.Type == "batch" && s.options.Batch:
		return s.batch(calls), nil
	case b.Type == "transaction" && s.options.Transaction:
		return s.transaction(b.Entry, calls)
	}
	return answer{}, refuse(http.StatusBadRequest, "not-supported", "a Bundle of this type is not taken here")
}

// batch does each entry on its own.
func (s *Store) batch(calls []call) answer {
	answers, errs := make([]answer, len(calls)), make([]error, len(calls))
	for i, c := range calls {
		if errs[i] = s.exchange.note(c).failure(); errs[i] == nil {
			answers[i], errs[i] = s.single(c)
		}
	}
	return s.bundleResponse("batch-response", calls, answers, errs)
}

// transaction does all entries or none, in the order DELETE, POST, PUT, GET, and answers in the order they came.
// Source: http://hl7.org/fhir/R4/http.html#trules (from memory).
func (s *Store) transaction(entries []entryRequest, calls []call) (answer, error) {
	limit := s.options.TransactionLimit
	if slices.ContainsFunc(calls, func(c call) bool { return c.ifNoneExist != "" }) {
		limit = cmp.Or(s.options.ConditionalTransactionLimit, limit)
	}
	if limit > 0 && len(calls) > limit {
		return answer{}, refuse(http.StatusBadRequest, "too-costly", "the transaction has too many entries")
	}
	if err := checkTransaction(calls); err != nil {
		return answer{}, err
	}
	for i := range calls {
		if err := s.exchange.note(calls[i]).failure(); err != nil {
			return answer{}, inEntry(i, err)
		}
		if !s.options.IfMatchInTransaction {
			calls[i].ifMatch, calls[i].ifNoneMatch = "", ""
		}
		if err := s.matchUnsafely(&calls[i]); err != nil {
			return answer{}, inEntry(i, err)
		}
	}

	s.mu.Lock()
	defer s.mu.Unlock()
	answers := make([]answer, len(calls))
	var wrote []*record
	err := s.inOrder(entries, calls, func(i int) error {
		a, err := s.do(calls[i])
		if err != nil {
			return inEntry(i, err)
		}
		answers[i] = a
		if a.wrote != nil {
			wrote = append(wrote, a.wrote)
		}
		return nil
	})
	if err != nil {
		if !s.options.NonAtomicTransaction {
			for _, r := range slices.Backward(wrote) {
				s.undo(r)
			}
		}
		return answer{}, err
	}
	return s.bundleResponse("transaction-response", calls, answers, make([]error, len(calls))), nil
}

// inOrder runs the entries of a transaction by method, and between the deletes and the rest lets the entries know of each
// other's ids.
func (s *Store) inOrder(entries []entryRequest, calls []call, run func(int) error) error {
	for _, method := range transactionOrder {
		for i := range calls {
			if calls[i].method == method {
				if err := run(i); err != nil {
					return err
				}
			}
		}
		if method == http.MethodDelete {
			if err := s.resolve(entries, calls); err != nil {
				return err
			}
		}
	}
	return nil
}

var transactionOrder = []string{http.MethodDelete, http.MethodPost, http.MethodPut, http.MethodGet}

// resolve settles which resource each entry creates or means, and puts these references in place of the entries' fullUrls.
func (s *Store) resolve(entries []entryRequest, calls []call) error {
	ids := map[string]string{}
	for i := range calls {
		c := &calls[i]
		var ref string
		switch c.interaction() {
		case "create":
			c.assignedID = s.options.NewID()
			ref = c.segments[0] + "/" + c.assignedID
			if c.ifNoneExist != "" && s.offered[c.segments[0]] {
				found, err := s.match(*c)
				if err != nil {
					return inEntry(i, err)
				}
				c.matched = &found
				if len(found) == 1 {
					ref = found[0].ref()
				}
			}
		case "update":
			ref = strings.Join(c.segments, "/")
		default:
			continue
		}
		if strings.HasPrefix(entries[i].FullURL, "urn:") {
			ids[entries[i].FullURL] = ref
		}
	}
	for i := range calls {
		if len(calls[i].body) == 0 {
			continue
		}
		body, err := withReferences(calls[i].body, ids)
		if err != nil {
			return inEntry(i, refuse(http.StatusBadRequest, "structure", "broken JSON"))
		}
		calls[i].body = body
	}
	return nil
}

// checkTransaction refuses methods that a transaction does not know, and two entries that concern one resource.
func checkTransaction(calls []call) error {
	seen := map[string]bool{}
	for i, c := range calls {
		if !slices.Contains(transactionOrder, c.method) || c.interaction() == "" || len(c.segments) == 0 {
			return inEntry(i, refuse(http.StatusBadRequest, "not-supported", "no such interaction in a transaction"))
		}
		var subject string
		switch c.interaction() {
		case "update", "delete":
			subject = strings.Join(c.segments, "/")
		case "create":
			if c.ifNoneExist != "" {
				subject = c.segments[0] + "?" + c.ifNoneExist
			}
		}
		if subject != "" && seen[subject] {
			return inEntry(i, invalid("two entries concern the same resource"))
		}
		seen[subject] = true
	}
	return nil
}

// inEntry says which entry of a transaction failed, counted from 0.
func inEntry(i int, err error) error {
	f := *asFailure(err)
	f.text = fmt.Sprintf("entry %d: %s", i, f.text)
	return &f
}

func (s *Store) bundleResponse(typ string, calls []call, answers []answer, errs []error) answer {
	var b bytes.Buffer
	b.WriteString(`{"resourceType":"Bundle","type":"` + typ + `"`)
	for i, a := range answers {
		b.WriteString([]string{`,"entry":[{`, `,{`}[min(i, 1)])
		switch v := a.version; {
		case a.body != nil:
			b.WriteString(`"resource":`)
			b.Write(a.body)
			b.WriteByte(',')
		case v != nil && (calls[i].reads() || !calls[i].minimal):
			b.WriteString(`"fullUrl":` + quote(calls[i].base+"/"+v.ref()) + `,"resource":`)
			b.Write(v.raw)
			b.WriteByte(',')
		}
		b.WriteString(`"response":`)
		s.writeResponse(&b, a, errs[i])
		b.WriteByte('}')
	}
	if len(answers) > 0 {
		b.WriteByte(']')
	}
	b.WriteByte('}')
	return answer{status: http.StatusOK, body: b.Bytes()}
}

// writeResponse writes the response element of a Bundle's entry.
func (s *Store) writeResponse(b *bytes.Buffer, a answer, err error) {
	status, outcome := a.status, []byte(nil)
	if err != nil {
		f := asFailure(err)
		status, outcome = f.status, f.outcome()
	}
	text := strconv.Itoa(status)
	if !s.options.BareStatus {
		text += " " + http.StatusText(status)
	}
	b.WriteString(`{"status":` + quote(text))
	if v := a.version; v != nil {
		b.WriteString(`,"location":` + quote(v.ref()+"/_history/"+v.number))
		b.WriteString(`,"etag":` + quote(v.etag()) + `,"lastModified":"` + v.at.UTC().Format(instantLayout) + `"`)
	}
	if outcome != nil {
		b.WriteString(`,"outcome":`)
		b.Write(outcome)
	}
	b.WriteByte('}')
}
