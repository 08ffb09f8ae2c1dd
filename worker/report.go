package worker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/nats-io/nats.go/jetstream"

	"pupilrisk/rules"
	"pupilrisk/worker/operatinglist"
	"pupilrisk/worker/stream"
)

const (
	reportBucket = "CLINIC_REPORT" // by patient: what shadow mode found
	// reportKept is how long after it an operation stays in the report.
	reportKept = 180 * 24 * time.Hour
	// reportTimeout bounds the reading of the report.
	reportTimeout = time.Minute
)

// patientReport is what shadow mode found about one patient, kept for `report`.
type patientReport struct {
	Operations []reportedOperation `json:"operations"`
	Drugs      []string            `json:"drugs,omitempty"`    // that nothing recognised, as the record has them
	Services   []string            `json:"services,omitempty"` // booked, and no rule knows whether they are operations
}

type reportedOperation struct {
	Key          string            `json:"key"`
	Start        time.Time         `json:"start"` // zero: no date yet
	Outcome      rules.Outcome     `json:"outcome"`
	Complete     bool              `json:"complete"`
	Findings     []reportedFinding `json:"findings,omitempty"`
	Gaps         []rules.GapKind   `json:"gaps,omitempty"`
	Preparations []string          `json:"preparations,omitempty"`
}

type reportedFinding struct {
	Hazard rules.Hazard `json:"hazard"`
	Factor string       `json:"factor"`
	Level  rules.Level  `json:"level"`
}

// report keeps what a pass in shadow mode found. What it keeps replaces what it kept of this patient before, so nothing is counted
// twice; operations that are over stay for reportKept.
func (w *Worker) report(ctx context.Context, r *reading, results []rules.Assessment) error {
	if w.cfg.Mode != Shadow || w.stream == nil {
		return nil
	}
	kv, err := w.bucket(ctx, reportBucket, 0)
	if err != nil {
		return err
	}
	var old patientReport
	e, err := kv.Get(ctx, shadowKey(r.patient))
	switch {
	case err == nil:
		_ = json.Unmarshal(e.Value(), &old) // of an older version: written anew
	case !errors.Is(err, jetstream.ErrKeyNotFound):
		w.forget(reportBucket)
		return fmt.Errorf("read the report bucket: %w", err)
	}
	at := w.now()
	now := w.found(r, results)
	for _, o := range old.Operations {
		over := !o.Start.IsZero() && o.Start.Before(at) && at.Before(o.Start.Add(reportKept))
		if over && !slices.ContainsFunc(now.Operations, func(x reportedOperation) bool { return x.Key == o.Key }) {
			now.Operations = append(now.Operations, o)
		}
	}
	body, err := json.Marshal(now)
	if err != nil {
		return fmt.Errorf("keep the report: %w", err)
	}
	switch {
	case e != nil && bytes.Equal(body, e.Value()):
		return nil
	case e == nil && len(now.Operations)+len(now.Services) == 0:
		return nil // nobody who is operated on
	}
	if _, err := kv.Put(ctx, shadowKey(r.patient), body); err != nil {
		w.forget(reportBucket)
		return fmt.Errorf("keep the report: %w", err)
	}
	return nil
}

// found is what a pass is worth to the report.
func (w *Worker) found(r *reading, results []rules.Assessment) (out patientReport) {
	for _, a := range results {
		o := reportedOperation{Key: a.Operation.Key, Start: a.Operation.Start.UTC(), Outcome: a.Outcome, Complete: a.Complete}
		for _, f := range a.Findings {
			if f.Level >= w.settings.MinLevel {
				o.Findings = append(o.Findings, reportedFinding{f.Hazard, f.Factor, f.Level})
			}
		}
		for _, g := range a.Gaps {
			if !slices.Contains(o.Gaps, g.Kind) {
				o.Gaps = append(o.Gaps, g.Kind)
			}
		}
		for _, p := range a.Preparations {
			o.Preparations = append(o.Preparations, p.Code)
		}
		out.Operations = append(out.Operations, o)
	}
	for i := range r.history.Entries {
		e := &r.history.Entries[i]
		if _, yes := w.catalogue.Unrecognised(e); yes && len(out.Operations) > 0 {
			out.Drugs = appendNew(out.Drugs, []string{named(e.Concepts)})
		}
	}
	for _, a := range r.record.Appointments() {
		if still, _ := ahead(a.Status, a.Start, w.now()); still && w.services.recognise(a.Concepts) == rules.Unclear {
			out.Services = appendNew(out.Services, []string{named(a.Concepts)})
		}
	}
	return out
}

// named is how the record names something: the text, and each code with its system, as a site needs it for its own codes.
func named(concepts []rules.Concept) string {
	var parts []string
	for _, c := range concepts {
		if c.Text != "" {
			parts = appendNew(parts, []string{c.Text})
		}
		for _, k := range c.Codes {
			parts = appendNew(parts, []string{strings.Trim(strings.TrimSpace(k.System+"|"+k.Code+" "+k.Display), "|")})
		}
	}
	if len(parts) == 0 {
		return "(nothing)"
	}
	return strings.Join(parts, "; ")
}

// Report reads what shadow mode found about operations that start at or after from (zero: all that is kept), and those without
// a date. Where shadow mode never ran there is no bucket: jetstream.ErrBucketNotFound.
func Report(ctx context.Context, s *stream.Stream, c *rules.Catalogue, from time.Time, zone *time.Location) (operatinglist.Report, error) {
	out := operatinglist.Report{From: from}
	kv, err := s.Bucket(ctx, reportBucket, 0)
	if err != nil {
		return out, err
	}
	unread := 0
	err = stream.EachValue(ctx, kv, []string{">"}, reportTimeout, func(e jetstream.KeyValueEntry) {
		var p patientReport
		switch {
		case e.Operation() != jetstream.KeyValuePut:
			return
		case json.Unmarshal(e.Value(), &p) != nil:
			unread++
			return
		}
		p.Operations = slices.DeleteFunc(p.Operations, func(o reportedOperation) bool { return !o.Start.IsZero() && o.Start.Before(from) })
		for _, o := range p.Operations {
			o.count(&out, c, zone)
		}
		if len(p.Operations) > 0 {
			for _, d := range p.Drugs {
				out.Drugs.Add(d)
			}
		}
		for _, s := range p.Services {
			out.Services.Add(s)
		}
	})
	if err == nil && unread > 0 {
		err = fmt.Errorf("what is kept of %d patients is no report, of another version perhaps", unread)
	}
	return out, err
}

// count adds an operation to the report.
func (o reportedOperation) count(to *operatinglist.Report, c *rules.Catalogue, zone *time.Location) {
	day := to.Day(o.Start, zone)
	day.Operations++
	level := rules.NoLevel
	for _, f := range o.Findings {
		level = max(level, f.Level)
		name := f.Factor
		if i := slices.IndexFunc(c.Factors, func(x *rules.Factor) bool { return x.ID == f.Factor }); i >= 0 {
			name = c.Factors[i].Name
		}
		day.Factors.Add(name)
		to.Factors.Add(name)
	}
	switch {
	case o.Outcome == rules.NotAssessed:
		day.NotAssessed++
	case level == rules.High:
		day.Expect++
	case level == rules.Moderate:
		day.HaveReady++
	default:
		day.NoneFound++
	}
	if !o.Complete {
		day.Incomplete++
	}
	for _, g := range o.Gaps {
		to.Gaps.Add(string(g))
	}
	for _, p := range o.Preparations {
		to.Preparations.Add(p)
	}
}
