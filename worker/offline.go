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
}

// Result is what one patient's record in a file gives.
type Result struct {
	Patient     string
	Name        string
	Born        string // as the record gives it; "" if it does not
	Assessments []rules.Assessment

	offline   *Offline
	situation fhirmap.Situation
}

// Transaction is the Bundle that the worker would send to a server that holds nothing of ours; nil if nothing would be written.
func (r Result) Transaction() ([]byte, error) {
	if r.offline == nil {
		return nil, nil
	}
	return r.offline.transaction(r.situation)
}

// maxDepth bounds the nesting of what is read from disk.
const maxDepth = 64

// Read assesses everything in r and hands each patient's result to each, in the order of the input, a Bundle as soon as it and
// those before it are assessed. Bundles are assessed on all cores; as many as twice the cores are held at once.
func (o Offline) Read(r io.Reader, each func(Result) error) error {
	lanes := runtime.GOMAXPROCS(0)
	bundles := make(chan *offlineBundle, lanes) // in the order of the input
	ctx, cancel := context.WithCancel(context.Background())
	var reading sync.WaitGroup
	defer reading.Wait()
	defer cancel()
	reading.Go(func() {
		defer close(bundles)
		free := make(chan struct{}, lanes)
		o.split(r, func(b *offlineBundle) bool {
			b.done = make(chan struct{})
			select {
			case bundles <- b:
			case <-ctx.Done():
				return false
			}
			select {
			case free <- struct{}{}:
			case <-ctx.Done():
				close(b.done)
				return false
			}
			reading.Go(func() {
				defer close(b.done)
				defer func() { <-free }()
				if b.err == nil {
					b.results, b.err = o.bundle(b)
				}
				b.body = nil
			})
			return true
		})
	})
	for b := range bundles {
		<-b.done
		for _, result := range b.results {
			if err := each(result); err != nil {
				return err
			}
		}
		if b.err != nil {
			return b.err
		}
	}
	return nil
}

// offlineBundle is a Bundle on its way: its results, or why there are none, stand once done is closed.
type offlineBundle struct {
	body    []byte
	at      int64 // where it begins in the input
	results []Result
	err     error
	done    chan struct{}
}

// split hands out the Bundles in r, with what is wrong with the input at its place, until next wants no more. Single resources are
// one record system's content: together they are one Bundle, the last.
func (o Offline) split(r io.Reader, next func(*offlineBundle) bool) {
	values := jsonValues{in: bufio.NewReaderSize(r, 32<<10)}
	var loose bytes.Buffer
	for {
		at, v, err := values.next()
		if errors.Is(err, io.EOF) {
			break
		}
		typ := ""
		if err == nil {
			typ, err = fhirmap.TypeOf(v), nil
		}
		switch {
		case err == nil && typ == "Bundle":
			if !next(&offlineBundle{body: v, at: at}) {
				return
			}
			continue
		case err == nil:
			err = fhirmap.ReadText(v, func(t fhirmap.Text) error { return resourceAlone(t, at) })
			if err != nil && typ == "" {
				err = notJSON(at)
			}
		}
		if err != nil {
			next(&offlineBundle{err: err})
			return
		}
		if loose.Len() == 0 {
			loose.WriteString(`{"resourceType":"Bundle","type":"collection","entry":[`)
		} else {
			loose.WriteByte(',')
		}
		loose.WriteString(`{"resource":`)
		loose.Write(v)
		loose.WriteByte('}')
	}
	if loose.Len() > 0 {
		loose.WriteString(`]}`)
		next(&offlineBundle{body: loose.Bytes()})
	}
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

// bundle assesses every patient of a Bundle.
func (o Offline) bundle(b *offlineBundle) (out []Result, err error) {
	read := false
	err = fhirmap.ReadText(b.body, func(t fhirmap.Text) error {
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
			out = append(out, result)
		}
		return nil
	})
	if err != nil && !read {
		err = notJSON(b.at)
	}
	return out, err
}

// patient assesses one patient of a Bundle.
func (o Offline) patient(patient string, text fhirmap.Text) (Result, error) {
	options := fhirmap.Options{Zone: o.Config.Zone(), IgnoreOthers: true, BusinessIdentifierSystem: o.Config.OperationIdentifier}
	record := fhirmap.NewRecord(patient, options)
	page, err := record.AddText(text)
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
	result := Result{Patient: patient, Name: info.Name, Born: info.BirthDate}
	history := record.History()
	situation := fhirmap.Situation{Patient: patient, BookingsWhole: true, ClientIDs: true, At: o.At, Direct: map[string]int{}}
	for _, op := range o.operations(record, patient) {
		at := o.At
		if !op.Start.IsZero() && op.Start.Before(at) {
			at = op.Start
		}
		a := rules.Assess(o.Catalogue, op, history, at, o.Config.settings())
		result.Assessments = append(result.Assessments, a)
		situation.Assessments = append(situation.Assessments, a)
		situation.Bookings = append(situation.Bookings, fhirmap.Booking{Operation: op, Ahead: true})
	}
	result.offline, result.situation = &o, situation
	return result, nil
}

// operations are what is assessed: booked appointments; without any appointment each lens procedure or service request at
// its start; with neither, both eyes; with only cancelled or other appointments, nothing.
func (o Offline) operations(record *fhirmap.Record, patient string) []rules.Operation {
	services := newServiceMatch(o.Config, o.Catalogue)
	var out []rules.Operation
	appointments := record.Appointments()
	for _, a := range appointments {
		ok := services.recognise(a.Concepts) == rules.IsOperation && slices.Contains(a.Patients, patient)
		if booked, _ := ahead(a.Status, time.Time{}, o.At); ok && booked {
			out = append(out, operationOf(a))
		}
	}
	if len(appointments) > 0 {
		return out
	}
	for _, s := range record.LensCandidates() {
		if services.recognise(s.Concepts) == rules.IsOperation {
			out = append(out, rules.Operation{Key: id(s.Reference), Start: s.Start, Eye: s.Eye, EyeConflict: s.EyeConflict, Service: s.Service})
		}
	}
	if len(out) == 0 {
		out = append(out, rules.Operation{Key: id(patient), Eye: rules.BothEyes})
	}
	return out
}

// transaction is what the worker would send for a situation to a server that holds nothing of ours.
func (o Offline) transaction(s fhirmap.Situation) ([]byte, error) {
	names := fhirmap.Names{Canonical: o.Config.Canonical}
	device, err := fhirmap.DeviceResource(names, o.Version)
	if err != nil {
		return nil, err
	}
	w := fhirmap.Writer{
		Names: names, Catalogue: o.Catalogue, Device: "Device/" + device.ID, Intent: o.Config.TaskIntent,
		MinLevel: o.Config.settings().MinLevel, SoftwareVersion: o.Version,
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
