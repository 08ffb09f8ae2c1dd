package worker

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/worker/fhirhttp"
)

// historyTypes are the types of record that are a patient's history.
var historyTypes = []string{
	"MedicationStatement", "MedicationRequest", "MedicationDispense", "MedicationAdministration",
	"Procedure", "Condition", "Observation", "AllergyIntolerance", "DeviceUseStatement",
}

// ownTypes are the types of what we write ourselves.
var ownTypes = []string{"Flag", "Task"}

const (
	// pageSize is the page we ask for; a server may give less.
	pageSize = "200"
	// maxChain bounds how many merged records are followed; a longer chain is a loop or a fault of the record.
	maxChain = 8
	// maxRounds bounds how often references of referred records are followed (a prescription, its drug, its ingredient).
	maxRounds = 4
)

// reading is one patient's record as read in one pass.
type reading struct {
	patient       string   // the survivor, Patient/id
	chain         []string // the survivor and every record merged into it
	record        *fhirmap.Record
	history       rules.History
	standing      []fhirmap.Standing
	bookingsWhole bool
	direct        map[string]int
	// gone are records that own Flags rest on, read by id and found deleted or another patient's.
	gone map[string]bool
	// others are patients whom the nudge's booking concerns too: it names them now, or our Tasks about it do.
	others []string
	// appointments are the bookings read, by reference, as they came.
	appointments map[string][]byte
	// strays are bookings that own open Tasks point to and that are not among the patient's appointments.
	strays map[string]stray
	// kept are bookings that the FHIR server does not know.
	kept []fhirmap.Appointment
	// heard is when the newest message about each kept booking was sent, whether the server knows the booking or not.
	heard map[string]moment
}

// stray is the answer to the read of one such booking.
type stray struct {
	status      int
	appointment fhirmap.Appointment
}

// read gathers the whole record of a patient: in one batch the patient, the appointments, the history, what we wrote before,
// and the ids under which the nudge's booking would be written; then the pages, the merged records, and what they refer to.
// With lastTry a lost page is marked as lost; without it, it is an error, so that the event is tried again.
func (w *Worker) read(ctx context.Context, patient string, n nudge, lastTry bool) (*reading, error) {
	capability, err := w.fhir.Capability(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the server's capability: %w", err)
	}
	r := &reading{patient: patient, direct: map[string]int{}, gone: map[string]bool{}, strays: map[string]stray{}, appointments: map[string][]byte{}}
	var firstIDs []string
	if n.appointment != "" && clientIDs(capability) {
		firstIDs = w.writer.Names.FirstIDs(id(patient), id(n.appointment), n.eye, w.preparationCodes)
	}

	answers, infos := map[string][]fhirhttp.Answer{}, map[string]fhirmap.PatientInfo{}
	defer func() {
		for _, a := range answers {
			fhirhttp.Release(a)
		}
	}()
	pending, done := []string{patient}, []string{}
	for len(pending) > 0 {
		next := pending[0]
		pending = pending[1:]
		if slices.Contains(done, next) {
			continue
		}
		if len(done) == maxChain {
			return nil, fmt.Errorf("more than %d records are merged into one another", maxChain)
		}
		done = append(done, next)
		paths := w.searches(next, capability)
		if next == patient {
			if n.appointment != "" {
				paths = append(paths, n.appointment)
				if offered(capability, "Task") {
					paths = append(paths, tasksAbout(n.appointment))
				}
			}
			paths = append(paths, firstIDs...)
		}
		got, err := w.fhir.Gather(ctx, paths)
		if err != nil {
			return nil, fmt.Errorf("read the record: %w", err)
		}
		info, err := w.patientInfo(next, got)
		var gone *permanentError
		if errors.As(err, &gone) && next != patient {
			done = done[:len(done)-1]
			continue // a link to a record that is no more
		}
		if err != nil {
			return nil, err
		}
		merged, err := w.mergedInto(next, got)
		if err != nil {
			return nil, err
		}
		answers[next], infos[next] = got, info
		pending = slices.Concat(pending, info.ReplacedBy, info.Replaces, merged)
	}
	r.chain, r.patient = done, survivor(patient, infos)

	r.record = fhirmap.NewRecord(r.patient, w.recordOptions())
	for _, p := range done {
		r.record.Accept(p)
	}
	whole := true
	for _, p := range done {
		for _, a := range answers[p] {
			ok, err := w.take(ctx, r, a, lastTry)
			if err != nil {
				return nil, err
			}
			if searched(a.Path) == "Appointment" && !ok {
				whole = false
			}
		}
	}
	for _, d := range r.record.Dropped() {
		whole = whole && d.Type != "Appointment"
	}
	r.bookingsWhole = whole
	for _, raw := range r.record.Raw("Appointment") {
		r.appointments[fhirmap.ReferenceOf(raw)] = raw
	}
	for _, a := range r.record.Appointments() {
		if "Appointment/"+a.ID == n.appointment {
			r.others = appendNew(r.others, a.Patients)
		}
	}
	for _, t := range historyTypes {
		if !offered(capability, t) {
			r.record.Mark(t, rules.ReadNotOffered)
		}
	}
	if err := w.ownStanding(r); err != nil {
		return nil, err
	}
	if err := w.evidenceByID(ctx, r); err != nil {
		return nil, err
	}
	if err := w.resolve(ctx, r, lastTry); err != nil {
		return nil, err
	}
	if err := w.keptBookings(ctx, r); err != nil {
		return nil, err
	}
	r.history = r.record.History()
	return r, w.findStrays(ctx, r)
}

// survivor is the record that stands for a patient: the end of the chain of replacements. A chain that bites its tail is a
// fault of the record; then the first id of it, by name, so that every worker takes the same.
func survivor(patient string, infos map[string]fhirmap.PatientInfo) string {
	seen := []string{}
	for next := patient; ; next = infos[next].ReplacedBy[0] {
		if slices.Contains(seen, next) {
			return slices.Min(seen)
		}
		seen = append(seen, next)
		info := infos[next]
		if len(info.ReplacedBy) == 0 || !infos[info.ReplacedBy[0]].Found {
			return next
		}
	}
}

// linkedTo is the search for records that link to a patient's.
func linkedTo(patient string) string { return "Patient?link=" + patient }

// mergedInto are the patients whose records say that they were merged into this one, which need not say so itself.
func (w *Worker) mergedInto(patient string, answers []fhirhttp.Answer) ([]string, error) {
	for _, a := range answers {
		if a.Path != linkedTo(patient) {
			continue
		}
		if a.Err != nil {
			if k := fhirhttp.KindOf(a.Err); k == fhirhttp.Denied || k == fhirhttp.Refused || k == fhirhttp.Gone {
				return nil, nil // a server that does not search by link
			}
			return nil, fmt.Errorf("search merged records: %w", a.Err)
		}
		merged, err := fhirmap.ReplacedIn(a.Body, patient, w.recordOptions())
		if err != nil {
			return nil, fmt.Errorf("search merged records: %w", err)
		}
		return merged, nil
	}
	return nil, nil
}

// tasksAbout is the search for all Tasks about a booking, whoever their patient is.
func tasksAbout(appointment string) string {
	return "Task?focus=" + appointment + "&_count=" + pageSize
}

// searches are the requests for everything about one patient id.
func (w *Worker) searches(patient string, c fhirhttp.Capability) []string {
	paths := []string{patient}
	if len(c.Types) == 0 || c.Types["Patient"].Searches("link") {
		paths = append(paths, linkedTo(patient))
	}
	for _, t := range slices.Concat([]string{"Appointment"}, historyTypes, ownTypes) {
		if !offered(c, t) {
			continue
		}
		parameter := "patient"
		if tc := c.Types[t]; len(tc.SearchParams) > 0 && !tc.Searches("patient") && tc.Searches("subject") {
			parameter = "subject"
		}
		paths = append(paths, t+"?"+parameter+"="+patient+"&_count="+pageSize)
	}
	return paths
}

// offered reports that the server holds a type. A server that lists no types at all is asked for everything.
func offered(c fhirhttp.Capability, typ string) bool {
	if len(c.Types) == 0 {
		return true
	}
	t, ok := c.Types[typ]
	return ok && t.Search
}

// searched is the type that a search path asks for, "" for a read by id.
func searched(path string) string {
	for i := range len(path) {
		switch path[i] {
		case '?':
			return path[:i]
		case '/':
			return ""
		}
	}
	return ""
}

func (w *Worker) recordOptions() fhirmap.Options { return w.cfg.recordOptions() }

func (c *Config) recordOptions() fhirmap.Options {
	return fhirmap.Options{Zone: c.Zone(), Bases: append([]string{c.FHIRURL}, c.FHIRAliases...), BusinessIdentifierSystem: c.OperationIdentifier}
}

// patientInfo is what the first answer, the patient's own resource, says.
func (w *Worker) patientInfo(patient string, answers []fhirhttp.Answer) (fhirmap.PatientInfo, error) {
	a := answers[0]
	if a.Err != nil {
		if fhirhttp.KindOf(a.Err) == fhirhttp.Gone {
			return fhirmap.PatientInfo{}, &permanentError{reason: ReasonNoPatient, text: "the patient is not in the record", err: a.Err}
		}
		return fhirmap.PatientInfo{}, fmt.Errorf("read the patient: %w", a.Err)
	}
	probe := fhirmap.NewRecord(patient, w.recordOptions())
	defer probe.Close()
	if err := probe.AddResourceText(a.Text); err != nil {
		return fhirmap.PatientInfo{}, fmt.Errorf("read the patient: %w", err)
	}
	return probe.Patient(), nil
}

// take puts one answer and its further pages into the record. ok is false where something of it was not read.
func (w *Worker) take(ctx context.Context, r *reading, a fhirhttp.Answer, lastTry bool) (ok bool, err error) {
	typ := searched(a.Path)
	if typ == "" {
		return true, w.takeDirect(r, a)
	}
	switch {
	case strings.HasPrefix(a.Path, "Task?focus="):
		return true, w.takeOthers(r, a)
	case typ == "Patient":
		return true, nil // read before, to know the chain
	}
	if a.Err != nil {
		return false, w.notRead(r, typ, a.Err, lastTry)
	}
	page, err := r.record.AddText(typ, a.Text)
	if err != nil {
		return false, w.notRead(r, typ, fmt.Errorf("page of %s: %w", typ, err), lastTry)
	}
	entries, next := page.Matches, page.Next
	cut := page.Incomplete
	if next == "" && page.Total > entries {
		// A server was seen that leaves the next link out of a search inside a batch: the same search alone has it.
		next, entries = a.Path, 0
	}
	if next != "" {
		err = w.fhir.Pages(ctx, next, func(next fhirhttp.Answer) (string, error) {
			defer next.Text.Free()
			p, err := r.record.AddText(typ, next.Text)
			if err != nil {
				return "", fmt.Errorf("page of %s: %w", typ, err)
			}
			entries += p.Matches
			cut = cut || p.Incomplete
			page.Total = p.Total
			return p.Next, nil
		})
		if err != nil {
			return false, w.notRead(r, typ, err, lastTry)
		}
	}
	// A server that ends its pages before its own total has left something out.
	if page.Total > entries {
		cut = true
	}
	if cut {
		r.record.Mark(typ, rules.ReadCut)
		return false, nil
	}
	r.record.Mark(typ, rules.ReadWhole)
	return true, nil
}

// takeOthers keeps the patients of our Tasks about the nudge's booking. A server that does not search by focus leaves it to
// the sweep.
func (w *Worker) takeOthers(r *reading, a fhirhttp.Answer) error {
	if a.Err != nil {
		if k := fhirhttp.KindOf(a.Err); k == fhirhttp.Denied || k == fhirhttp.Refused || k == fhirhttp.Gone {
			return nil
		}
		return fmt.Errorf("search tasks of the booking: %w", a.Err)
	}
	patients, err := fhirmap.TaskPatients(w.writer.Names, a.Body)
	if err != nil {
		return fmt.Errorf("search tasks of the booking: %w", err)
	}
	r.others = appendNew(r.others, patients)
	return nil
}

// takeDirect keeps a read by id: the nudge's own booking, or a place where something may be created.
func (w *Worker) takeDirect(r *reading, a fhirhttp.Answer) error {
	switch {
	case a.Err == nil:
		if strings.HasPrefix(a.Path, "Patient/") {
			if a.Path != r.patient {
				return nil // merged into the one that is kept
			}
			return r.record.AddResourceText(a.Text)
		}
		r.direct[a.Path] = http.StatusOK
		if err := r.record.AddResourceText(a.Text); err != nil {
			return fmt.Errorf("read by id: %w", err)
		}
		return nil
	case fhirhttp.KindOf(a.Err) == fhirhttp.Gone:
		r.direct[a.Path] = a.Status
		return nil
	default:
		return fmt.Errorf("read by id: %w", a.Err)
	}
}

// notRead decides what an unread type means: refused for good is a gap at once; a passing fault is tried again, and at the
// last try a gap too.
func (w *Worker) notRead(r *reading, typ string, err error, lastTry bool) error {
	if errors.Is(err, context.Canceled) {
		return err
	}
	own := !slices.Contains(historyTypes, typ)
	switch fhirhttp.KindOf(err) {
	case fhirhttp.Denied, fhirhttp.Refused:
		if own {
			return fmt.Errorf("search %s: %w", typ, err)
		}
		r.record.Mark(typ, rules.ReadRefused)
		return nil
	case fhirhttp.Gone:
		if own {
			return fmt.Errorf("search %s: %w", typ, err)
		}
		r.record.Mark(typ, rules.ReadNotOffered)
		return nil
	}
	if own || !lastTry {
		return fmt.Errorf("search %s: %w", typ, err)
	}
	r.record.Mark(typ, rules.ReadCut)
	return nil
}

// resolve reads what the entries refer to.
func (w *Worker) resolve(ctx context.Context, r *reading, lastTry bool) error {
	for range maxRounds {
		refs := r.record.Unresolved()
		if len(refs) == 0 {
			return nil
		}
		answers, err := w.fhir.Gather(ctx, refs)
		if err != nil {
			return fmt.Errorf("read references: %w", err)
		}
		for i, a := range answers {
			switch kind := fhirhttp.KindOf(a.Err); {
			case a.Err == nil:
				if err := r.record.AddResourceText(a.Text); err != nil {
					r.record.Lost(refs[i])
				}
			case !lastTry && (kind == fhirhttp.Unavailable || kind == fhirhttp.Throttled || kind == 0):
				return fmt.Errorf("read references: %w", a.Err)
			default:
				r.record.Lost(refs[i])
			}
		}
	}
	for _, ref := range r.record.Unresolved() {
		r.record.Lost(ref)
	}
	return nil
}

// ownStanding decodes the Flags and Tasks of ours that were read.
func (w *Worker) ownStanding(r *reading) error {
	seen := map[string]bool{}
	for _, t := range ownTypes {
		for _, raw := range r.record.Raw(t) {
			s, ours, err := fhirmap.ParseStanding(w.writer.Names, raw)
			if err != nil {
				return fmt.Errorf("read own %s: %w", t, err)
			}
			// A server that ignores the patient parameter gives everybody's: those are nobody's business here.
			if ours && slices.Contains(r.chain, s.Subject) && !seen[s.Type+"/"+s.ID] {
				seen[s.Type+"/"+s.ID] = true
				r.standing = append(r.standing, s)
			}
		}
	}
	return nil
}

// evidenceByID reads what own active Flags rest on and no search gave. Only a record that is read can prove that it no longer
// stands: deleted, another patient's, or with a status that takes it back. One that may not be read proves nothing.
func (w *Worker) evidenceByID(ctx context.Context, r *reading) error {
	var refs []string
	for _, s := range r.standing {
		if s.Type != "Flag" || !s.Open() {
			continue
		}
		for _, ref := range s.Details {
			typ, _, _ := strings.Cut(ref, "/")
			if slices.Contains(historyTypes, typ) && fhirmap.ValidReference(ref, typ) && !r.record.Read(ref) {
				refs = appendNew(refs, []string{ref})
			}
		}
	}
	if len(refs) == 0 {
		return nil
	}
	answers, err := w.fhir.Gather(ctx, refs)
	if err != nil {
		return fmt.Errorf("read the evidence of own flags: %w", err)
	}
	for i, a := range answers {
		switch {
		case a.Err == nil:
			others, err := r.record.AddEvidence(a.Body)
			if err != nil {
				return fmt.Errorf("read the evidence of own flags: %w", err)
			}
			r.gone[refs[i]] = others
		case fhirhttp.KindOf(a.Err) == fhirhttp.Gone:
			r.gone[refs[i]] = true
		case fhirhttp.KindOf(a.Err) == fhirhttp.Denied, fhirhttp.KindOf(a.Err) == fhirhttp.Refused:
		default:
			return fmt.Errorf("read the evidence of own flags: %w", a.Err)
		}
	}
	return nil
}

// findStrays reads the bookings that own open Tasks point to and that the patient's appointments do not hold: deleted, or
// now another patient's.
func (w *Worker) findStrays(ctx context.Context, r *reading) error {
	known := map[string]bool{}
	for _, a := range r.record.Appointments() {
		known["Appointment/"+a.ID] = true
	}
	var refs []string
	for _, s := range r.standing {
		if s.Type == "Task" && s.Open() && fhirmap.ValidReference(s.Focus, "Appointment") && !known[s.Focus] {
			known[s.Focus] = true
			refs = append(refs, s.Focus)
		}
	}
	if len(refs) == 0 {
		return nil
	}
	answers, err := w.fhir.Gather(ctx, refs)
	if err != nil {
		return fmt.Errorf("read bookings of own tasks: %w", err)
	}
	for i, a := range answers {
		switch {
		case a.Err == nil:
			appointment, err := fhirmap.DecodeAppointment(a.Body, w.recordOptions())
			if err != nil {
				continue // unreadable is no proof of anything
			}
			r.appointments[refs[i]] = a.Body
			r.strays[refs[i]] = stray{status: http.StatusOK, appointment: appointment}
		case fhirhttp.KindOf(a.Err) == fhirhttp.Gone:
			r.strays[refs[i]] = stray{status: a.Status}
		case fhirhttp.KindOf(a.Err) == fhirhttp.Denied, fhirhttp.KindOf(a.Err) == fhirhttp.Refused:
		default:
			return fmt.Errorf("read bookings of own tasks: %w", a.Err)
		}
	}
	return nil
}

// readDirect reads the ids at which something is to be created. What stands there is kept as standing.
func (w *Worker) readDirect(ctx context.Context, r *reading, refs []string) error {
	answers, err := w.fhir.Gather(ctx, refs)
	if err != nil {
		return fmt.Errorf("read before creating: %w", err)
	}
	for i, a := range answers {
		switch {
		case a.Err == nil:
			r.direct[refs[i]] = http.StatusOK
			s, ours, err := fhirmap.ParseStanding(w.writer.Names, a.Body)
			if err != nil || !ours {
				return fmt.Errorf("an id of ours holds a resource that is not ours")
			}
			r.standing = append(r.standing, s)
		case fhirhttp.KindOf(a.Err) == fhirhttp.Gone:
			r.direct[refs[i]] = a.Status
		default:
			return fmt.Errorf("read before creating: %w", a.Err)
		}
	}
	return nil
}

// bookings judges every appointment read: is it a lens operation of this patient, and is it still to come?
func (w *Worker) bookings(r *reading, at time.Time) []fhirmap.Booking {
	var out []fhirmap.Booking
	seen := map[string]bool{}
	for _, a := range r.record.Appointments() {
		if !seen[a.ID] {
			seen[a.ID] = true
			out = append(out, w.booking(r, a, at))
		}
	}
	for _, a := range r.kept {
		out = append(out, w.booking(r, a, at))
	}
	for ref, s := range r.strays {
		b := fhirmap.Booking{Operation: rules.Operation{Appointment: ref, Key: id(ref)}, Ended: fhirmap.EndedCancelled}
		if s.status == http.StatusOK {
			b = w.booking(r, s.appointment, at)
		}
		out = append(out, b)
	}
	return out
}

// overAfter is how long after its start a booking that nobody closed still counts as ahead.
const overAfter = 24 * time.Hour

func (w *Worker) booking(r *reading, a fhirmap.Appointment, at time.Time) fhirmap.Booking {
	b := fhirmap.Booking{Operation: operationOf(a)}
	b.Operation.Key = r.key(b.Operation.Key, a)
	switch {
	case !slices.ContainsFunc(a.Patients, func(p string) bool { return slices.Contains(r.chain, p) }):
		b.Ended = fhirmap.EndedOtherPatient
	case !w.isOperation(a):
		b.Ended = fhirmap.EndedMoved
	default:
		b.Ahead, b.Ended = ahead(a.Status, a.Start, at)
	}
	return b
}

// key is the key of a booking: that of the Tasks which stand about it under another of its identifiers, where none stands under its own.
// So a booking that came by HL7 v2 and later stands in the record too keeps its Tasks.
func (r *reading) key(own string, a fhirmap.Appointment) string {
	stands := func(key string) bool {
		return slices.ContainsFunc(r.standing, func(s fhirmap.Standing) bool {
			return s.Type == "Task" && strings.HasPrefix(s.Base, key+"."+id(r.patient)+".")
		})
	}
	if stands(own) {
		return own
	}
	for _, other := range a.Identifiers {
		if stands(other) {
			return other
		}
	}
	return own
}

// operationOf is a booking as the rules see it. One that the record does not hold has no reference.
func operationOf(a fhirmap.Appointment) rules.Operation {
	op := rules.Operation{
		Key: a.ID, Start: a.Start, Eye: a.Eye, EyeConflict: a.EyeConflict, Service: a.Service, Concepts: a.Concepts,
	}
	if a.ID != "" {
		op.Appointment = "Appointment/" + a.ID
	}
	if a.BusinessID != "" {
		op.Key = a.BusinessID
	}
	return op
}

// ahead reports whether a booking of that status and start is still to come, else why not.
func ahead(status string, start, at time.Time) (bool, fhirmap.Ended) {
	switch status {
	case "booked", "pending", "arrived", "checked-in":
	case "proposed", "waitlist":
		if start.IsZero() {
			return false, fhirmap.EndedMoved
		}
	case "fulfilled":
		return false, fhirmap.EndedOver
	default:
		return false, fhirmap.EndedCancelled
	}
	if !start.IsZero() && !at.Before(start.Add(overAfter)) {
		return false, fhirmap.EndedOver
	}
	return true, ""
}
