package fhirstore

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"
)

const (
	basePath    = "/fhir"
	fhirJSON    = "application/fhir+json"
	patchJSON   = "application/json-patch+json"
	mostBody    = 64 << 20 // bytes of a request
	contentType = fhirJSON + "; charset=utf-8"
)

// call is one interaction, from an HTTP request or from an entry of a Bundle.
type call struct {
	method   string
	segments []string // of the path below the base
	query    string   // still URL-encoded; of POST _search the form
	base     string   // absolute, for links
	body     []byte
	bundle   bundleRequest // of a POST to the base
	inBundle bool

	ifMatch     string
	ifNoneExist string
	ifNoneMatch string // only "*" means something, and only to a PUT
	minimal     bool   // Prefer: return=minimal
	strict      bool   // Prefer: handling=strict

	// Set in advance by a transaction.
	assignedID string      // id of a create
	matched    *[]*version // what ifNoneExist matched
}

// answer is what an interaction gives back.
type answer struct {
	status  int
	version *version // the resource answered or written
	body    []byte   // where it is no resource: a searchset, a history, a capability statement
	wrote   *record  // record that has a new version
}

// interaction names what a call does in the terms of http://hl7.org/fhir/restful-interaction; empty where the server knows
// no such thing.
func (c call) interaction() string {
	n := len(c.segments)
	history := n > 2 && c.segments[2] == "_history"
	switch {
	case c.method == http.MethodGet && n == 1 && c.segments[0] == "metadata":
		return "capabilities"
	case c.method == http.MethodGet && n == 1, c.method == http.MethodPost && n == 2 && c.segments[1] == "_search":
		return "search-type"
	case c.method == http.MethodGet && n == 2:
		return "read"
	case c.method == http.MethodGet && n == 3 && history:
		return "history-instance"
	case c.method == http.MethodGet && n == 4 && history:
		return "vread"
	case c.method == http.MethodPost && n == 0:
		return cmp.Or(c.bundle.Type, "batch")
	case c.method == http.MethodPost && n == 1:
		return "create"
	case c.method == http.MethodPut && n == 2:
		return "update"
	case c.method == http.MethodPatch && n == 2:
		return "patch"
	case c.method == http.MethodDelete && n == 2:
		return "delete"
	}
	return ""
}

// allowed are the methods that the path of the call takes.
func (c call) allowed() string {
	switch len(c.segments) {
	case 0:
		return http.MethodPost
	case 1:
		return "GET, POST"
	case 2:
		return "GET, PUT, PATCH, DELETE"
	}
	return http.MethodGet
}

func (c call) reads() bool {
	return c.method == http.MethodGet || c.interaction() == "search-type"
}

// ServeHTTP answers one request below /fhir.
func (s *Store) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.URL.Path != basePath && !strings.HasPrefix(r.URL.Path, basePath+"/") {
		s.reply(w, answer{}, refuse(http.StatusNotFound, "not-found", "outside the base "+basePath), call{})
		return
	}
	c, err := s.readCall(w, r)
	fault := s.exchange.note(c)
	if fault.hits() && !fault.Late && fault.before(r) {
		fault.answer(w, s)
		return
	}
	if refused := s.authorise(r, c); refused != nil {
		err = refused
	}
	var a answer
	if err == nil {
		a, err = s.carryOut(c)
	}
	switch {
	case !fault.hits():
		s.reply(w, a, err, c)
	case fault.Late && fault.before(r):
		fault.answer(w, s)
	case fault.CutBody:
		s.reply(cutWriter{w}, a, err, c)
	default:
		s.reply(w, a, err, c)
	}
}

func (s *Store) authorise(r *http.Request, c call) error {
	if s.options.Token == "" || c.interaction() == "capabilities" || r.Header.Get("Authorization") == "Bearer "+s.options.Token {
		return nil
	}
	return refuse(http.StatusUnauthorized, "login", "a bearer token is needed")
}

// readCall reads the request into a call. With an error the call still says what was asked.
func (s *Store) readCall(w http.ResponseWriter, r *http.Request) (call, error) {
	c := call{method: r.Method, query: r.URL.RawQuery, base: s.base(r), segments: segments(strings.TrimPrefix(r.URL.Path, basePath))}
	c.ifMatch, c.ifNoneExist, c.ifNoneMatch = r.Header.Get("If-Match"), r.Header.Get("If-None-Exist"), r.Header.Get("If-None-Match")
	for _, p := range r.Header.Values("Prefer") {
		c.minimal = c.minimal || strings.Contains(p, "return=minimal") && !s.options.IgnorePrefer
		c.strict = c.strict || strings.Contains(p, "handling=strict")
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, mostBody))
	if err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			return c, refuse(http.StatusRequestEntityTooLarge, "too-long", "the request is too large")
		}
		return c, invalid("the request was cut short")
	}
	if !acceptsJSON(r) {
		return c, refuse(http.StatusNotAcceptable, "not-supported", "only JSON is spoken here")
	}
	sent, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	switch {
	case c.interaction() == "search-type" && c.method == http.MethodPost:
		if sent != "application/x-www-form-urlencoded" {
			return c, refuse(http.StatusUnsupportedMediaType, "not-supported", "a search is sent as a form")
		}
		c.query = strings.Trim(c.query+"&"+string(body), "&")
	case c.interaction() == "patch":
		if sent != patchJSON {
			return c, refuse(http.StatusUnsupportedMediaType, "not-supported", "a patch is sent as JSON Patch")
		}
		c.body = body
	case r.Method == http.MethodPost || r.Method == http.MethodPut:
		if sent != fhirJSON && sent != "application/json" {
			return c, refuse(http.StatusUnsupportedMediaType, "not-supported", "only JSON is spoken here")
		}
		c.body = body
	}
	if c.interaction() == "batch" && s.takesBundles() {
		c.bundle, err = readBundle(body)
	}
	return c, err
}

func (s *Store) base(r *http.Request) string {
	if s.options.PublicBase != "" {
		return strings.TrimSuffix(s.options.PublicBase, "/")
	}
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	return scheme + "://" + r.Host + basePath
}

func segments(path string) []string {
	path = strings.Trim(path, "/")
	if path == "" {
		return nil
	}
	return strings.Split(path, "/")
}

func acceptsJSON(r *http.Request) bool {
	accept := strings.Join(r.Header.Values("Accept"), ",")
	return accept == "" || strings.Contains(accept, "json") || strings.Contains(accept, "*/*") || strings.Contains(accept, "application/*")
}

// carryOut does one request, whole Bundles included.
func (s *Store) carryOut(c call) (answer, error) {
	switch c.interaction() {
	case "batch", "transaction":
		return s.bundle(c)
	case "capabilities":
		return answer{status: http.StatusOK, body: s.capability(c.base)}, nil
	}
	return s.single(c)
}

// single does one interaction under its own lock.
func (s *Store) single(c call) (answer, error) {
	if c.reads() {
		s.mu.RLock()
		defer s.mu.RUnlock()
		return s.do(c)
	}
	if err := s.matchUnsafely(&c); err != nil {
		return answer{}, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.do(c)
}

// matchUnsafely, where Options ask for it, looks for what a conditional create matches without keeping others from creating
// the same until the create is done.
func (s *Store) matchUnsafely(c *call) error {
	if !s.options.UnsafeConditionalCreate || c.interaction() != "create" || c.ifNoneExist == "" {
		return nil
	}
	s.mu.RLock()
	found, err := s.match(*c)
	s.mu.RUnlock()
	if err != nil {
		return err
	}
	c.matched = &found
	time.Sleep(unsafeWindow)
	return nil
}

const unsafeWindow = time.Millisecond

// do carries one interaction out, for which mu is held.
func (s *Store) do(c call) (answer, error) {
	kind := c.interaction()
	if len(c.segments) == 0 || kind == "" || kind == "capabilities" {
		return answer{}, refuse(http.StatusMethodNotAllowed, "not-supported", "no such interaction here")
	}
	typ := c.segments[0]
	if !s.offered[typ] {
		return answer{}, refuse(http.StatusNotFound, "not-supported", "this resource type is not offered")
	}
	switch kind {
	case "search-type":
		return s.search(c, typ)
	case "create":
		return s.create(c, typ)
	case "update":
		return s.update(c, typ, c.segments[1])
	}
	r := s.record(typ, c.segments[1])
	if r == nil {
		return answer{}, notFound()
	}
	switch kind {
	case "history-instance":
		return s.history(c, r), nil
	case "patch":
		return s.patch(c, r)
	case "vread":
		i := slices.IndexFunc(r.versions, func(v *version) bool { return v.number == c.segments[3] })
		if i < 0 {
			return answer{}, notFound()
		}
		return s.read(r.versions[i])
	case "delete":
		if err := checkMatch(c.ifMatch, r); err != nil {
			return answer{}, err
		}
		if r.current().deleted() {
			return answer{status: http.StatusNoContent}, nil
		}
		s.remove(r)
		return answer{status: http.StatusNoContent, wrote: r}, nil
	}
	return s.read(r.current())
}

func (s *Store) read(v *version) (answer, error) {
	if v.deleted() && s.options.HideDeleted {
		return answer{}, notFound()
	}
	if v.deleted() {
		return answer{}, refuse(http.StatusGone, "deleted", "the resource was deleted")
	}
	return answer{status: http.StatusOK, version: v}, nil
}

func (s *Store) create(c call, typ string) (answer, error) {
	d, decoded, err := readBody(c.body, typ)
	if err != nil {
		return answer{}, err
	}
	if c.ifNoneExist != "" {
		found, err := s.match(c)
		switch {
		case err != nil:
			return answer{}, err
		case len(found) == 1:
			return answer{status: http.StatusOK, version: found[0]}, nil
		case len(found) > 1:
			return answer{}, refuse(http.StatusPreconditionFailed, "multiple-matches", "the condition matches several resources")
		}
	}
	id := c.assignedID
	if id == "" {
		id = s.options.NewID()
	}
	r := s.write(d, decoded, id, http.MethodPost)
	return answer{status: http.StatusCreated, version: r.current(), wrote: r}, nil
}

// match finds what the condition of a create matches. A parameter it does not know is an error whatever Options say, as
// leaving it out would change what is created.
func (s *Store) match(c call) ([]*version, error) {
	if c.matched != nil {
		return *c.matched, nil
	}
	if !s.options.ConditionalCreate {
		return nil, refuse(http.StatusBadRequest, "not-supported", "conditional create is not offered")
	}
	typ := c.segments[0]
	_, condition, hasPath := strings.Cut(c.ifNoneExist, "?")
	if !hasPath {
		condition = c.ifNoneExist
	}
	q, err := s.readQuery(typ, condition, c.base, true)
	if err != nil {
		return nil, err
	}
	if len(q.criteria) == 0 || len(q.used) != strings.Count(condition, "&")+1 {
		return nil, refuse(http.StatusPreconditionFailed, "not-supported", "the condition of the create is not understood")
	}
	return s.find(q), nil
}

func (s *Store) update(c call, typ, id string) (answer, error) {
	d, decoded, err := readBody(c.body, typ)
	if err != nil {
		return answer{}, err
	}
	if d.id != id {
		return answer{}, invalid("the id of the resource is not that of the URL")
	}
	r := s.record(typ, id)
	if err := checkMatch(c.ifMatch, r); err != nil {
		return answer{}, err
	}
	status := http.StatusOK
	if c.ifNoneMatch == "*" && r != nil && !r.current().deleted() {
		return answer{}, refuse(http.StatusPreconditionFailed, "conflict", "there is such a resource")
	}
	if r == nil || r.current().deleted() {
		if !s.options.UpdateCreate {
			return answer{}, refuse(http.StatusMethodNotAllowed, "not-supported", "an update cannot create a resource here")
		}
		status = http.StatusCreated
	}
	r = s.write(d, decoded, id, http.MethodPut)
	return answer{status: status, version: r.current(), wrote: r}, nil
}

func readBody(body []byte, typ string) (document, map[string]any, error) {
	d, decoded, err := decode(body)
	if err != nil {
		return d, nil, refuse(http.StatusBadRequest, "structure", err.Error())
	}
	if d.typ != typ {
		return d, nil, invalid("the resource is of another type than the URL says")
	}
	return d, decoded, nil
}

// checkMatch holds an If-Match against the current version; r is nil where there is no such resource.
func checkMatch(ifMatch string, r *record) error {
	if ifMatch == "" {
		return nil
	}
	if r != nil && !r.current().deleted() {
		for tag := range strings.SplitSeq(ifMatch, ",") {
			tag = strings.TrimSpace(tag)
			if tag == "*" || strings.Trim(strings.TrimPrefix(tag, "W/"), `"`) == r.current().number {
				return nil
			}
		}
	}
	return refuse(http.StatusPreconditionFailed, "conflict", "the resource has another version")
}

func (s *Store) history(c call, r *record) answer {
	versions := slices.Clone(r.versions)
	if !s.options.ShuffledHistory {
		slices.Reverse(versions)
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, `{"resourceType":"Bundle","type":"history","total":%d,"link":[{"relation":"self","url":%s}],"entry":[`,
		len(versions), quote(c.base+"/"+r.current().ref()+"/_history"))
	for i, v := range versions {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(`{"fullUrl":` + quote(c.base+"/"+v.ref()))
		if !v.deleted() {
			b.WriteString(`,"resource":`)
			b.Write(v.raw)
		}
		url, status := v.ref(), http.StatusOK
		switch v.method {
		case http.MethodPost:
			url, status = v.typ, http.StatusCreated
		case http.MethodDelete:
			status = http.StatusNoContent
		}
		b.WriteString(`,"request":{"method":"` + v.method + `","url":` + quote(url) + `},"response":`)
		s.writeResponse(&b, answer{status: status, version: v}, nil)
		b.WriteByte('}')
	}
	b.WriteString("]}")
	return answer{status: http.StatusOK, body: b.Bytes()}
}

// reply sends an answer, or the error as an OperationOutcome.
func (s *Store) reply(w http.ResponseWriter, a answer, err error, c call) {
	h := w.Header()
	body := a.body
	if err != nil {
		f := asFailure(err)
		a, body = answer{status: f.status}, f.outcome()
		if f.status == http.StatusUnauthorized {
			h.Set("WWW-Authenticate", "Bearer")
		}
		if f.status == http.StatusMethodNotAllowed {
			h.Set("Allow", c.allowed())
		}
	}
	if v := a.version; v != nil {
		h.Set("ETag", v.etag())
		if !s.options.NoLastModified {
			h.Set("Last-Modified", v.at.UTC().Format(http.TimeFormat))
		}
		if !c.reads() {
			h.Set("Location", c.base+"/"+v.ref()+"/_history/"+v.number)
		}
		if c.reads() || !c.minimal {
			body = v.raw
		}
	}
	if len(body) > 0 {
		h.Set("Content-Type", contentType)
		h.Set("Content-Length", strconv.Itoa(len(body)))
	}
	w.WriteHeader(a.status)
	_, _ = w.Write(body) // the client has gone if this fails
}

func asFailure(err error) *failure {
	if f, ok := errors.AsType[*failure](err); ok {
		return f
	}
	return refuse(http.StatusInternalServerError, "exception", "the server failed")
}
