package worker

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"slices"
	"sync"
	"time"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
)

// Offline assesses what stands in files, without any server: FHIR Bundles of any type, or single resources, one after the
// other (NDJSON or not).
type Offline struct {
	Config    Config
	Catalogue *rules.Catalogue
	// At is the time of the assessment; an operation of the past is assessed at its own start.
	At time.Time
	// Version stands in the transaction Bundles.
	Version string

	settings rules.Settings
	services serviceMatch
}

// Result is what one patient's record in a file gives.
type Result struct {
	Patient     string
	Name        string
	Born        string // as the record gives it; "" if it does not
	Assessments []rules.Assessment

	offline *Offline // nil if nothing would be written
}

// Transaction is the Bundle that the worker would send to a server that holds nothing of ours; nil if nothing would be written.
func (r Result) Transaction() ([]byte, error) {
	if r.offline == nil {
		return nil, nil
	}
	return r.offline.transaction(r.Patient, r.Assessments)
}

// maxDepth bounds the nesting of what is read from disk.
const maxDepth = 64

// readers keeps the room to read into from one input to the next.
var readers = sync.Pool{New: func() any { return bufio.NewReaderSize(nil, 256<<10) }}

// Read assesses everything in r and hands each patient's result to each, in the order of the input, a Bundle as soon as it and
// those before it are assessed. Bundles are assessed on all cores, in lots of what is read at once (256 KiB and one Bundle more); three
// lots for each core are held at once.
func (o Offline) Read(r io.Reader, each func(Result) error) error {
	in := readers.Get().(*bufio.Reader)
	defer readers.Put(in)
	defer in.Reset(nil)
	in.Reset(r)
	o.settings, o.services = o.Config.settings(), newServiceMatch(o.Config, o.Catalogue)
	s := splitter{values: jsonValues{in: in}}
	first := s.next()
	if first == nil {
		return nil
	}
	o.assess(first) // on the spot: mostly it is the only one
	if err := first.handOut(each); err != nil {
		return err
	}
	if second := s.next(); second != nil {
		return o.readOn(second, &s, each)
	}
	return nil
}

// readOn assesses b and the Bundles behind it on all cores.
func (o *Offline) readOn(b *offlineBundle, s *splitter, each func(Result) error) error {
	lanes := runtime.GOMAXPROCS(0)
	lots := make(chan *lot, lanes) // in the order of the input
	free := make(chan *lot)        // the same, to whoever has time
	ctx, cancel := context.WithCancel(context.Background())
	var working sync.WaitGroup
	defer working.Wait()
	defer cancel()
	working.Go(func() {
		defer close(lots)
		defer close(free)
		var bundles []*offlineBundle
		send := func() {
			if len(bundles) == 0 {
				return
			}
			l := &lot{bundles, make(chan struct{})}
			bundles = nil
			for _, to := range []chan *lot{lots, free} {
				select {
				case to <- l:
				case <-ctx.Done():
					return
				}
			}
		}
		s.values.waits = send // what is whole does not wait for what is still to be read
		for ; b != nil && ctx.Err() == nil; b = s.next() {
			bundles = append(bundles, b)
		}
		send()
	})
	for range lanes {
		working.Go(func() {
			for l := range free {
				for _, b := range l.bundles {
					o.assess(b)
				}
				close(l.done)
			}
		})
	}
	for l := range lots {
		<-l.done
		for _, b := range l.bundles {
			if err := b.handOut(each); err != nil {
				return err
			}
		}
	}
	return nil
}

// lot is Bundles that were read at once and change hands together: a core that is handed them singly waits for the next as long as it
// works on one. done is closed once all are assessed.
type lot struct {
	bundles []*offlineBundle
	done    chan struct{}
}

// offlineBundle is a Bundle on its way, in the end with its results, or why there are none.
type offlineBundle struct {
	body    []byte
	at      int64 // where it begins in the input
	results []Result
	err     error
}

func (b *offlineBundle) handOut(each func(Result) error) error {
	for _, result := range b.results {
		if err := each(result); err != nil {
			return err
		}
	}
	return b.err
}

// splitter hands out the Bundles of an input, with what is wrong with it at its place, and then none. Single resources are one
// record system's content: together they are one Bundle, the last.
type splitter struct {
	values jsonValues
	loose  bytes.Buffer
	done   bool
}

func (s *splitter) next() *offlineBundle {
	for !s.done {
		at, v, err := s.values.next()
		if errors.Is(err, io.EOF) {
			s.done = true
			break
		}
		typ := ""
		if err == nil {
			typ = fhirmap.TypeOf(v)
		}
		switch {
		case err == nil && typ == "Bundle":
			return &offlineBundle{body: v, at: at}
		case err == nil:
			err = fhirmap.ReadText(v, func(t fhirmap.Text) error { return resourceAlone(t, at) })
			if err != nil && typ == "" {
				err = notJSON(at)
			}
			if most := s.values.bound(); err == nil && s.loose.Len()+len(v) > most {
				err = fmt.Errorf("the single resources before byte %d are larger than %d bytes; they are one Bundle", at, most)
			}
		}
		if err != nil {
			s.done = true
			return &offlineBundle{err: err}
		}
		if s.loose.Len() == 0 {
			s.loose.WriteString(`{"resourceType":"Bundle","type":"collection","entry":[`)
		} else {
			s.loose.WriteByte(',')
		}
		s.loose.WriteString(`{"resource":`)
		s.loose.Write(v)
		s.loose.WriteByte('}')
	}
	if s.loose.Len() == 0 {
		return nil
	}
	s.loose.WriteString(`]}`)
	b := &offlineBundle{body: s.loose.Bytes()}
	s.loose = bytes.Buffer{}
	return b
}

func notJSON(at int64) error { return fmt.Errorf("not JSON from byte %d on", at) }

func resourceAlone(t fhirmap.Text, at int64) error {
	if t.ResourceType() == "" {
		return fmt.Errorf("not a FHIR resource at byte %d", at)
	}
	return shallow(t)
}

func shallow(t fhirmap.Text) error {
	if t.Depth() > maxDepth {
		return fmt.Errorf("nested deeper than %d levels", maxDepth)
	}
	return nil
}

// assess assesses every patient of a Bundle.
func (o *Offline) assess(b *offlineBundle) {
	if b.err != nil {
		return
	}
	read := false
	b.err = fhirmap.ReadText(b.body, func(t fhirmap.Text) error {
		read = true
		if err := shallow(t); err != nil {
			return err
		}
		patients, err := t.Patients()
		if err != nil {
			return err
		}
		for _, p := range patients {
			result, err := o.patient(p, t)
			if err != nil {
				return err
			}
			b.results = append(b.results, result)
		}
		return nil
	})
	if b.err != nil && !read {
		b.err = notJSON(b.at)
	}
	b.body = nil
}

// patient assesses one patient of a Bundle.
func (o *Offline) patient(patient string, text fhirmap.Text) (Result, error) {
	options := fhirmap.Options{Zone: o.Config.Zone(), IgnoreOthers: true, BusinessIdentifierSystem: o.Config.OperationIdentifier}
	record := fhirmap.NewRecord(patient, options)
	defer record.Close()
	page, err := record.AddText("", text)
	if err != nil {
		return Result{}, err
	}
	state := rules.ReadWhole
	if page.Next != "" || page.Incomplete {
		state = rules.ReadCut
	}
	for _, t := range historyTypes {
		record.Mark(t, state)
	}
	for _, ref := range record.Unresolved() {
		record.Lost(ref)
	}
	info := record.Patient()
	if len(info.ReplacedBy) > 0 {
		return Result{Patient: patient}, nil // the survivor's record is assessed
	}
	result := Result{Patient: patient, Name: info.Name, Born: info.BirthDate, offline: o}
	history := record.History()
	for _, op := range o.operations(record, patient) {
		at := o.At
		if !op.Start.IsZero() && op.Start.Before(at) {
			at = op.Start
		}
		result.Assessments = append(result.Assessments, rules.Assess(o.Catalogue, op, history, at, o.settings))
	}
	return result, nil
}

// operations are what is assessed: booked appointments; without any appointment each lens procedure or service request at
// its start; with neither, both eyes; with only cancelled or other appointments, nothing.
func (o *Offline) operations(record *fhirmap.Record, patient string) []rules.Operation {
	var out []rules.Operation
	appointments := record.Appointments()
	for _, a := range appointments {
		ok := o.services.recognise(a.Concepts) == rules.IsOperation && slices.Contains(a.Patients, patient)
		if booked, _ := ahead(a.Status, time.Time{}, o.At); ok && booked {
			out = append(out, operationOf(a))
		}
	}
	if len(appointments) > 0 {
		return out
	}
	for _, s := range record.LensCandidates() {
		if o.services.recognise(s.Concepts) == rules.IsOperation {
			out = append(out, rules.Operation{Key: id(s.Reference), Start: s.Start, Eye: s.Eye, EyeConflict: s.EyeConflict, Service: s.Service})
		}
	}
	if len(out) == 0 {
		out = append(out, rules.Operation{Key: id(patient), Eye: rules.BothEyes})
	}
	return out
}

// transaction is what the worker would send for a patient's assessments to a server that holds nothing of ours.
func (o *Offline) transaction(patient string, assessments []rules.Assessment) ([]byte, error) {
	s := fhirmap.Situation{Patient: patient, Assessments: assessments, BookingsWhole: true, ClientIDs: true, At: o.At, Direct: map[string]int{}}
	for _, a := range assessments {
		s.Bookings = append(s.Bookings, fhirmap.Booking{Operation: a.Operation, Ahead: true})
	}
	names := fhirmap.Names{Canonical: o.Config.Canonical}
	device, err := fhirmap.DeviceResource(names, o.Version)
	if err != nil {
		return nil, err
	}
	w := fhirmap.Writer{
		Names: names, Catalogue: o.Catalogue, Device: "Device/" + device.ID, Intent: o.Config.TaskIntent,
		MinLevel: o.settings.MinLevel, SoftwareVersion: o.Version,
	}
	plan, err := w.Reconcile(s)
	if err != nil {
		return nil, err
	}
	for _, ref := range plan.Unread {
		s.Direct[ref] = 404
	}
	if plan, err = w.Reconcile(s); err != nil || len(plan.Writes) == 0 {
		return nil, err
	}
	provenance, err := w.Provenance(s.Patient, plan.Writes, s.At)
	if err != nil {
		return nil, err
	}
	return fhirmap.Transaction(names, append(plan.Writes, device, provenance), true)
}
