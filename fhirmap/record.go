package fhirmap

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"pupilrisk/rules"
)

// Options say how a record is read.
type Options struct {
	// Zone of dates without one; nil means UTC.
	Zone   *time.Location
	Limits Limits
	// Bases are the addresses under which absolute references are local.
	Bases []string
	// IgnoreOthers passes over entries of other patients in silence: for a Bundle that holds many.
	IgnoreOthers bool
	// BusinessIdentifierSystem is the system of the identifier that names a booking.
	BusinessIdentifierSystem string
}

// Record is one patient's record as it comes in, page by page. Entries are decoded one by one; one that cannot be read is
// dropped alone and remembered. It is not safe for concurrent use.
type Record struct {
	o        Options
	patient  string
	accepted []string

	entries  []pending
	states   map[string]rules.ReadState
	dropped  []rules.Dropped
	unnamed  []unnamed
	seen     map[string]bool
	held     map[string]jsontext.Value // referred records by reference: Medication, ServiceRequest, BodyStructure, Device …
	named    []alias                   // that are not in aliases yet: mostly nobody asks
	aliases  map[string]string         // fullUrl → reference
	lost     map[string]bool
	labels   map[string][]string // reference → R, V
	patients map[string]PatientInfo
	bookings []appointmentJSON
	raw      map[string][]jsontext.Value
	requests []serviceRequestJSON
	noDrugs  bool

	page    []pageEntry // of the page at hand
	order   []int       // of entries
	history []rules.Entry
	reader  reader
	// The resource at hand; what is kept of it is copied.
	now struct {
		medication  medicationJSON
		procedure   procedureJSON
		condition   conditionJSON
		observation observationJSON
	}
}

// alias is a resource by its fullUrl.
type alias struct {
	fullURL string
	of      headJSON
}

// unnamed is a dropped entry whose name stands in the record it refers to.
type unnamed struct {
	dropped int // place in Record.dropped
	ref     string
}

// pending is an entry with what it still needs.
type pending struct {
	entry rules.Entry
	typ   string
	// drugs are references whose Medication gives the concepts; an entry without it is dropped.
	drugs []string
	// device is a reference whose Device gives the concepts.
	device string
	// structures are BodyStructure references that give the side.
	structures []string
	side       side
	contained  contained
}

// Page is what a page held.
type Page struct {
	Next string
	// Matches counts the entries that the search was for.
	Matches int
	Total   int // -1 if the page gives none
	// Incomplete reports that the server says itself that it left something out.
	Incomplete bool
}

// NewRecord starts the record of a patient, Patient/id.
func NewRecord(patient string, o Options) *Record {
	r := records.Get().(*Record)
	o.Limits = o.Limits.withDefaults()
	r.o, r.patient, r.accepted = o, patient, append(r.accepted, patient)
	return r
}

// records keeps the memory of those that were closed.
var records = sync.Pool{New: func() any {
	return &Record{
		states: map[string]rules.ReadState{}, seen: map[string]bool{}, held: map[string]jsontext.Value{}, aliases: map[string]string{},
		lost: map[string]bool{}, labels: map[string][]string{}, patients: map[string]PatientInfo{}, raw: map[string][]jsontext.Value{},
	}
}}

// maxKept is how many entries a record may have had for its memory to be used again.
const maxKept = 1024

// Close lets another record use the memory of this one. Of what it gave, only the entries of History go with it.
func (r *Record) Close() {
	if cap(r.entries) > maxKept || cap(r.page) > maxKept {
		return
	}
	clear(r.accepted)
	clear(r.states)
	clear(r.seen)
	clear(r.held)
	clear(r.aliases)
	clear(r.named)
	clear(r.lost)
	clear(r.labels)
	clear(r.patients)
	clear(r.raw)
	clear(r.entries)
	clear(r.history)
	*r = Record{
		accepted: r.accepted[:0], entries: r.entries[:0], page: r.page, order: r.order, history: r.history[:0], states: r.states, seen: r.seen, held: r.held, named: r.named[:0], aliases: r.aliases,
		lost: r.lost, labels: r.labels, patients: r.patients, raw: r.raw, reader: r.reader,
	}
	records.Put(r)
}

// Accept makes the entries of a record merged with this one count too.
func (r *Record) Accept(patient string) {
	if !slices.Contains(r.accepted, patient) {
		r.accepted = append(r.accepted, patient)
	}
}

// Mark says how far a type was read. The worst that was said stands.
func (r *Record) Mark(typ string, s rules.ReadState) {
	order := []rules.ReadState{rules.ReadWhole, rules.ReadNotOffered, rules.ReadRefused, rules.ReadCut}
	if slices.Index(order, s) > slices.Index(order, r.states[typ]) {
		r.states[typ] = s
	}
}

// AddPage reads one page of a search for a type; want "" takes any type, and Bundles inside the Bundle, as in the answer to
// a batch. An error means that the page as a whole is lost.
func (r *Record) AddPage(want string, body []byte) (Page, error) {
	var page Page
	err := scanned(body, func(v value) (err error) {
		page, err = r.addBundle(want, v, 0)
		return err
	})
	return page, err
}

// AddText is AddPage for a text that was gone over already.
func (r *Record) AddText(want string, t Text) (Page, error) { return r.addBundle(want, t.read(), 0) }

// pageEntry is an entry of a page.
type pageEntry struct {
	resource
	mode string
}

// addBundle reads a Bundle at a level of Bundles in Bundles.
func (r *Record) addBundle(want string, v value, level int) (Page, error) {
	from := len(r.page)
	defer func() { r.page = slices.Delete(r.page, from, len(r.page)) }()
	for m := range v.all {
		if m.name() == "entry" {
			n := min(m.count(), r.o.Limits.Entries)
			r.page = slices.Grow(r.page, n)
			r.entries = slices.Grow(r.entries, n)
		}
	}
	info, err := walkBundle(v, r.o.Limits, func(e BundleEntry) error {
		h := e.head()
		if e.FullURL != "" && h.ResourceType != "" && validID(h.ID) && localReference(e.FullURL, r.o.Bases) == "" {
			r.named = append(r.named, alias{e.FullURL, h}) // any other is resolved without
		}
		r.page = append(r.page, pageEntry{resource{headJSON: h, raw: e.Resource, value: e.resource}, e.SearchMode})
		return nil
	})
	if err != nil {
		return Page{}, err
	}
	page := Page{Next: info.Next, Total: info.Total}
	for _, e := range r.page[from:] {
		if e.raw == nil {
			if want != "" {
				r.drop(want, rules.DropType, "")
			}
			continue
		}
		typ := e.ResourceType
		if typ == "OperationOutcome" {
			page.Incomplete = page.Incomplete || incomplete(e.raw)
			continue
		}
		if typ == "Bundle" && want == "" {
			if level == maxBundles {
				return page, fmt.Errorf("%w: Bundles in Bundles", errPage)
			}
			inner, err := r.addBundle("", e.value, level+1)
			if err != nil {
				return page, err
			}
			page.Matches += inner.Matches
			page.Incomplete = page.Incomplete || inner.Incomplete || inner.Next != ""
			continue
		}
		// A server need not say which entries matched: then those of the type asked for did.
		if e.mode == "match" || e.mode == "" && (want == "" || typ == want || typ == "") {
			page.Matches++
		}
		r.take(want, e.mode, e.resource)
	}
	return page, nil
}

// incomplete reports an outcome that says that not everything was given (hl7.org/fhir/R4/valueset-issue-type.html).
func incomplete(raw jsontext.Value) bool {
	var o struct {
		Issue []struct {
			Severity string `json:"severity"`
			Code     string `json:"code"`
		} `json:"issue"`
	}
	if json.Unmarshal(raw, &o, faultyInside) != nil {
		return true
	}
	for _, i := range o.Issue {
		switch i.Code {
		case "incomplete", "suppressed", "security", "forbidden", "too-costly", "timeout", "throttled", "exception":
			return true
		}
		if i.Severity == "error" || i.Severity == "fatal" {
			return true
		}
	}
	return false
}

// AddResource reads one resource that was read by its id.
func (r *Record) AddResource(body []byte) error {
	_, err := r.addResource(body)
	return err
}

// AddResourceText is AddResource for a text that was gone over already.
func (r *Record) AddResourceText(t Text) error {
	v := t.read()
	h := v.head()
	if h.ResourceType == "" {
		return errNotResource
	}
	r.take("", "", resource{headJSON: h, raw: v.raw(), value: v})
	return nil
}

var errNotResource = errors.New("not a resource")

// AddEvidence puts in a record that was read by id because a Flag of ours rests on it and no search gave it. others reports
// that it belongs to another patient now, which is proof that it is no evidence for this one.
func (r *Record) AddEvidence(body []byte) (others bool, err error) {
	reason, err := r.addResource(body)
	return reason == rules.DropPatient, err
}

func (r *Record) addResource(body []byte) (rules.DropReason, error) {
	body = bytes.Clone(body)
	var reason rules.DropReason
	take := func(h headJSON, v value) error {
		if h.ResourceType == "" {
			return errNotResource
		}
		reason = r.take("", "", resource{headJSON: h, raw: body, value: v})
		return nil
	}
	err := scanned(body, func(v value) error { return take(v.head(), v) })
	if errors.Is(err, errPage) {
		err = take(head(body), value{}) // what cannot be read is dropped by what its beginning says, like an entry
	}
	return reason, err
}

// Read reports whether the record holds the resource, in whatever state.
func (r *Record) Read(reference string) bool { return r.seen[reference] }

// resource is one resource as it came, with what its beginning says.
type resource struct {
	headJSON
	reference string // Type/id
	raw       jsontext.Value
	value     value // the same, none where it is no JSON to its end
}

// ReferenceOf is the reference of a resource as it came, Type/id.
func ReferenceOf(raw []byte) string { return head(raw).ref() }

func (h headJSON) ref() string { return h.ResourceType + "/" + h.ID }

type headJSON struct {
	ResourceType string
	ID           string
}

// head looks at the beginning of a resource without decoding it.
func head(raw []byte) (h headJSON) {
	d := jsontext.NewDecoder(bytes.NewBuffer(raw), faultyInside)
	if t, err := d.ReadToken(); err != nil || t.Kind() != '{' {
		return h
	}
	for d.PeekKind() == '"' {
		t, err := d.ReadToken()
		if err != nil {
			return h
		}
		name := t.String()
		if name != "resourceType" && name != "id" {
			if d.SkipValue() != nil {
				return h
			}
			continue
		}
		v, err := d.ReadValue()
		if err != nil {
			return h
		}
		if name == "id" {
			h.ID = stringOf(v)
		} else {
			h.ResourceType = stringOf(v)
		}
		if h.ID != "" && h.ResourceType != "" {
			return h
		}
	}
	return h
}

// head is the same of a value.
func (v value) head() (h headJSON) {
	if v.kind() != '{' {
		return h
	}
	for m := range v.all {
		switch m.name() {
		case "resourceType":
			h.ResourceType = m.text()
		case "id":
			h.ID = m.text()
		}
		if h.ID != "" && h.ResourceType != "" {
			break
		}
	}
	return h
}

// dropError is a fault of one entry.
type dropError struct{ reason rules.DropReason }

func (e dropError) Error() string { return "entry dropped: " + string(e.reason) }

var (
	dropCode    = dropError{rules.DropCode}
	dropDate    = dropError{rules.DropDate}
	dropPatient = dropError{rules.DropPatient}
)

// head is the head of an entry's resource. One that has no id yet, as in a transaction, goes by the uuid of its fullUrl.
func (e BundleEntry) head() headJSON {
	h := e.resource.head()
	if h.ID == "" {
		h.ID, _ = strings.CutPrefix(e.FullURL, "urn:uuid:")
	}
	return h
}

// untyped stands for the type of what is not known to be any.
const untyped = "Resource"

// take sorts one resource in, and says why it was dropped; "" where it was not.
func (r *Record) take(want, mode string, x resource) rules.DropReason {
	decode := r.decoder(x.ResourceType)
	x.reference = x.ref()
	switch {
	case x.ResourceType == "":
		r.dropNamed(cmp.Or(want, untyped), rules.DropJSON, x.raw)
		return rules.DropJSON
	case want != "" && x.ResourceType != want && mode != "include" && (decode == nil || mode == "match"):
		r.drop(want, rules.DropType, "")
		return rules.DropType
	case decode == nil:
		return "" // a type that nobody asked for and that says nothing about an eye
	case r.seen[x.reference]:
		return "" // a server may repeat an entry over its pages
	}
	var err error = dropError{rules.DropJSON}
	if validID(x.ID) {
		r.seen[x.reference] = true
		err = decode(x)
	}
	if err == nil {
		r.keepLabels(x)
		return ""
	}
	reason := rules.DropJSON
	var d dropError
	if errors.As(err, &d) {
		reason = d.reason
	}
	switch {
	case reason != rules.DropPatient:
		r.dropNamed(x.ResourceType, reason, x.raw)
	case !r.o.IgnoreOthers:
		r.drop(x.ResourceType, reason, "")
	}
	return reason
}

// keepLabels keeps how a resource is restricted.
func (r *Record) keepLabels(x resource) {
	if !x.labelled() {
		return
	}
	for _, label := range parseArray(member(member(x.raw, "meta"), "security")) {
		if code, err := labelCode(label); err == nil && (code == "R" || code == "V") {
			r.labels[x.reference] = append(r.labels[x.reference], code)
		}
	}
}

// labelled reports that a resource may have security labels.
func (x *resource) labelled() bool {
	if x.value.kind() == 0 {
		return bytes.Contains(x.raw, []byte(`"security"`))
	}
	for m := range x.value.all {
		if m.name() != "meta" {
			continue
		}
		for s := range m.all {
			if s.name() == "security" {
				return true
			}
		}
	}
	return false
}

// Labels are the labels, R or V, that restrict a record or the drug it refers to.
func (r *Record) Labels(reference string) []string { return r.labels[reference] }

// dropNamed drops an entry under the name of what it speaks of, which may stand in another record.
func (r *Record) dropNamed(typ string, reason rules.DropReason, raw jsontext.Value) {
	name, ref := nameOf(raw)
	if name == "" && ref != "" {
		r.unnamed = append(r.unnamed, unnamed{len(r.dropped), ref})
	}
	r.drop(typ, reason, name)
}

func (r *Record) drop(typ string, reason rules.DropReason, name string) {
	r.dropped = append(r.dropped, rules.Dropped{Type: typ, Reason: reason, Name: name})
}

// decoder is what reads a type; nil for one that says nothing about an eye. What is only referred to is held until somebody
// needs it, and what we may have written ourselves is kept as it came.
func (r *Record) decoder(typ string) func(resource) error {
	switch typ {
	case "MedicationStatement", "MedicationRequest", "MedicationDispense", "MedicationAdministration":
		return r.medication
	case "Procedure":
		return r.procedure
	case "Condition":
		return r.condition
	case "Observation":
		return r.observation
	case "AllergyIntolerance":
		return r.allergy
	case "DeviceUseStatement":
		return r.deviceUse
	case "Patient":
		return r.patientResource
	case "Appointment":
		return r.appointment
	case "ServiceRequest":
		return r.serviceRequest
	case "Medication", "BodyStructure", "Device":
		return r.hold
	case "Flag", "Task", "Provenance":
		return r.keepRaw
	default:
		return nil
	}
}

func (r *Record) hold(x resource) error {
	r.held[x.reference] = x.raw
	return nil
}

func (r *Record) keepRaw(x resource) error {
	r.raw[x.ResourceType] = append(r.raw[x.ResourceType], x.raw)
	return nil
}

// Raw are the resources of a type as they came: Flag, Task, Provenance, Appointment.
func (r *Record) Raw(typ string) []jsontext.Value { return r.raw[typ] }

// decode reads one resource strictly: names case-sensitive, given once, UTF-8 valid, nesting bounded.
func (r *Record) decode(v value, into any) error {
	if v.kind() == 0 || v.node().marks&faulty != 0 || int(v.node().depth) > r.o.Limits.Depth || !r.reader.fill(v, into) {
		return dropError{rules.DropJSON}
	}
	return nil
}

// decodeStrict is decode for what is kept raw.
func (r *Record) decodeStrict(raw jsontext.Value, into any) error {
	err := scanned(raw, func(v value) error { return r.decode(v, into) })
	if errors.Is(err, errPage) {
		return dropError{rules.DropJSON}
	}
	return err
}

// Nesting is the depth of a JSON value, for whoever has to refuse too deep a one before it is decoded.
func Nesting(v []byte) int {
	deepest, now, quoted := 0, 0, false
	for i := 0; i < len(v); i++ {
		switch c := v[i]; {
		case quoted && c == '\\':
			i++
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == '{' || c == '[':
			now++
			deepest = max(deepest, now)
		case c == '}' || c == ']':
			now--
		}
	}
	return deepest
}

// nameOf is what an entry that cannot be read speaks of, as far as a lenient look can tell: its name, or the reference to
// the record that has it. What a security label forbids to name has neither.
func nameOf(raw jsontext.Value) (name, ref string) {
	var m map[string]any
	if json.Unmarshal(raw, &m, faultyInside) != nil || restrictedLoosely(m["meta"]) {
		return "", ""
	}
	for _, key := range []string{"medicationCodeableConcept", "code", "medicationReference", "device", "type"} {
		if s := conceptName(m[key]); s != "" {
			return s, ""
		}
	}
	contained, _ := m["contained"].([]any)
	for _, c := range contained {
		if cm, ok := c.(map[string]any); ok {
			if s := conceptName(cm["code"]); s != "" {
				return s, ""
			}
		}
	}
	for _, key := range []string{"medicationReference", "device"} {
		if rm, ok := m[key].(map[string]any); ok {
			ref, _ = rm["reference"].(string)
			return "", ref
		}
	}
	return "", ""
}

// restrictedLoosely reports a security label that forbids naming, in a meta that may be broken.
func restrictedLoosely(meta any) bool {
	m, _ := meta.(map[string]any)
	labels, _ := m["security"].([]any)
	return slices.ContainsFunc(labels, func(l any) bool {
		lm, _ := l.(map[string]any)
		return lm["code"] == "R" || lm["code"] == "V"
	})
}

func conceptName(v any) string {
	if list, ok := v.([]any); ok && len(list) > 0 {
		v = list[0]
	}
	m, ok := v.(map[string]any)
	if !ok {
		return ""
	}
	for _, key := range []string{"text", "display"} {
		if s, ok := m[key].(string); ok && s != "" {
			return clipText(s)
		}
	}
	codings, _ := m["coding"].([]any)
	code := ""
	for _, c := range codings {
		cm, ok := c.(map[string]any)
		if !ok {
			continue
		}
		if s, ok := cm["display"].(string); ok && s != "" {
			return clipText(s)
		}
		if s, ok := cm["code"].(string); ok && s != "" && code == "" {
			code = "code " + clipText(s)
		}
	}
	return code
}

func clipText(s string) string {
	if r := []rune(s); len(r) > 80 {
		return string(r[:80])
	}
	return s
}

// reference resolves a reference to its relative form, Type/id, through the fullUrls of the pages read. "" is none here.
func (r *Record) reference(ref string) string {
	if local := localReference(ref, r.o.Bases); local != "" {
		return local
	}
	return r.aliased(ref)
}

// aliased is the reference of the resource with that fullUrl.
func (r *Record) aliased(fullURL string) string {
	for _, a := range r.named {
		r.aliases[a.fullURL] = a.of.ref()
	}
	clear(r.named)
	r.named = r.named[:0]
	return r.aliases[fullURL]
}

// own checks that an entry belongs to the patient.
func (r *Record) own(subject referenceJSON) error {
	if slices.Contains(r.accepted, subject.Reference) || slices.Contains(r.accepted, r.reference(subject.Reference)) {
		return nil
	}
	return dropPatient
}

// lookup finds a referred resource: contained, or held.
func (r *Record) lookup(p *pending, ref string) (jsontext.Value, bool) {
	if c, ok := p.contained.find(ref); ok {
		return c, true
	}
	v, ok := r.held[r.reference(ref)]
	return v, ok
}

// Unresolved lists the references, Type/id, that the entries still need.
func (r *Record) Unresolved() []string {
	var out []string
	need := func(p *pending, ref, typ string) {
		if ref == "" || strings.HasPrefix(ref, "#") {
			return
		}
		if _, ok := r.lookup(p, ref); ok {
			return
		}
		if local := r.reference(ref); ValidReference(local, typ) && !r.lost[local] {
			out = append(out, local)
		}
	}
	for i := range r.entries {
		p := &r.entries[i]
		r.products(p, func(ref string, _ *drugJSON) { need(p, ref, "Medication") })
		need(p, p.device, "Device")
		for _, s := range p.structures {
			need(p, s, "BodyStructure")
		}
	}
	for _, u := range r.unnamed {
		need(&pending{}, u.ref, "Medication")
		need(&pending{}, u.ref, "Device")
	}
	for i := range r.bookings {
		for _, ref := range r.bookings[i].BasedOn {
			need(&pending{contained: r.bookings[i].Contained}, ref.Reference, "ServiceRequest")
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Lost says that a reference could not be read.
func (r *Record) Lost(ref string) { r.lost[ref] = true }

// History is what the record holds, in an order that does not depend on how the pages came. Its entries stand in the record's
// memory: they are good until it is closed or asked again.
func (r *Record) History() rules.History {
	h := rules.History{Patient: r.patient, NoMedication: r.noDrugs}
	h.Dropped = slices.Clone(r.dropped)
	for _, u := range r.unnamed {
		if raw, ok := r.lookup(&pending{}, u.ref); ok {
			h.Dropped[u.dropped].Name, _ = nameOf(raw)
		}
	}
	r.order = r.order[:0]
	for i := range r.entries {
		r.order = append(r.order, i)
	}
	slices.SortFunc(r.order, func(i, j int) int {
		x, y := &r.entries[i].entry, &r.entries[j].entry
		if c := strings.Compare(x.Reference, y.Reference); c != 0 {
			return c
		}
		return cmp.Or(strings.Compare(x.Part, y.Part), cmp.Compare(i, j))
	})
	counts := map[string]int{}
	r.history = slices.Grow(r.history[:0], len(r.order))
	for _, i := range r.order {
		p := &r.entries[i]
		e, ok := r.finish(p)
		if !ok {
			h.Dropped = append(h.Dropped, rules.Dropped{Type: p.typ, Reason: rules.DropMissing, Name: displayName(e)})
			continue
		}
		counts[p.typ]++
		r.history = append(r.history, e)
	}
	h.Entries = slices.Clip(r.history)
	slices.SortStableFunc(h.Dropped, func(x, y rules.Dropped) int {
		return cmp.Or(strings.Compare(x.Type, y.Type), cmp.Compare(x.Reason, y.Reason), strings.Compare(x.Name, y.Name))
	})
	for typ, s := range r.states {
		if !slices.Contains([]string{"Appointment", "Flag", "Task"}, typ) { // those are no history
			h.Reads = append(h.Reads, rules.Read{Type: typ, State: s, Entries: counts[typ]})
		}
	}
	slices.SortFunc(h.Reads, func(x, y rules.Read) int { return strings.Compare(x.Type, y.Type) })
	return h
}

func displayName(e rules.Entry) string {
	for _, c := range e.Concepts {
		if c.Text != "" {
			return clipText(c.Text)
		}
	}
	return ""
}

// finish puts what an entry refers to into it. ok is false where the drug itself could not be read and nothing else names it.
func (r *Record) finish(p *pending) (rules.Entry, bool) {
	e := p.entry
	e.Concepts = slices.Clip(e.Concepts)
	e.Qualifiers = slices.Clip(e.Qualifiers)
	missing := false
	r.products(p, func(_ string, d *drugJSON) {
		if d == nil {
			missing = true
			return
		}
		e.Concepts = append(e.Concepts, d.names()...)
		e.Qualifiers = append(e.Qualifiers, concepts(d.Form)...)
		if d.Meta.restricted() {
			e.Restricted = true
			r.labels[e.Reference] = append(r.labels[e.Reference], d.Meta.restrictions()...)
		}
	})
	if p.device != "" {
		if raw, ok := r.lookup(p, p.device); ok {
			e.Concepts = append(e.Concepts, deviceConcepts(raw)...)
		} else if len(e.Concepts) == 0 {
			missing = true
		}
	}
	e.Eye, e.EyeConflict = r.sideOf(p).eye()
	if len(e.Concepts) > 0 {
		return e, true // a drug whose record could not be read may be named where it was prescribed
	}
	// Something was done or found, and nothing says what (its narrative may, which is not read): that is no "nothing".
	return e, !missing && e.Kind != rules.Procedure && e.Kind != rules.Condition && e.Kind != rules.Device
}

// sideOf is the side of an entry, with what the structures it refers to say.
func (r *Record) sideOf(p *pending) side {
	s := p.side
	for _, ref := range p.structures {
		if raw, ok := r.lookup(p, ref); ok {
			s.structure(raw)
		}
	}
	return s
}

// Dropped are the entries that could not be read so far.
func (r *Record) Dropped() []rules.Dropped { return r.dropped }
