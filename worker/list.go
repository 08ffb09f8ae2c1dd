package worker

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/worker/fhirhttp"
	"pupilrisk/worker/operatinglist"
)

// Lister reads the operating list as the schedule would show it: the booked operations with the Flags and Tasks that stand
// in the FHIR server now.
type Lister struct {
	Config    Config
	Catalogue *rules.Catalogue
	FHIR      *fhirhttp.Client
	// Assessments, where known, add the evidence and what is missing, by booking (Appointment/id).
	Assessments map[string]rules.Assessment
	// Kept are bookings that the FHIR server does not know, as KeptBookings gives them.
	Kept []fhirmap.Appointment
	// KeptUnread is how many more of these could not be read.
	KeptUnread int
	Now        func() time.Time
}

// listed is what stands about one patient.
type listed struct {
	info     fhirmap.PatientInfo
	standing []fhirmap.Standing
}

// List reads the operations that start in [from, to).
func (l Lister) List(ctx context.Context, from, to time.Time) (operatinglist.List, error) {
	out := operatinglist.List{From: from, To: to, At: l.Now(), Zone: l.Config.Zone(), Catalogue: l.Catalogue.Version, Footer: Footer(l.Catalogue)}
	options := l.Config.recordOptions()
	appointments, dropped, err := Appointments(ctx, l.FHIR, options, from, to)
	if err != nil {
		return out, err
	}
	services := newServiceMatch(l.Config, l.Catalogue)
	appointments = append(appointments, l.kept(from, to, appointments)...)
	patients := map[string]*listed{}
	nobody := 0
	for _, a := range appointments {
		if services.recognise(a.Concepts) != rules.IsOperation {
			continue
		}
		if len(a.Patients) == 0 {
			nobody++
			continue
		}
		p := patients[a.Patients[0]]
		if p == nil {
			if p, err = l.patient(ctx, a.Patients[0], options); err != nil {
				return out, err
			}
			patients[a.Patients[0]] = p
		}
		out.Rows = append(out.Rows, l.row(a, p))
	}
	out.SiteGaps = l.siteGaps()
	if nobody > 0 {
		out.Warnings = append(out.Warnings, fmt.Sprintf("%d operations are booked for nobody whom this server names and are NOT on this list", nobody))
	}
	if len(dropped) > 0 {
		out.Warnings = append(out.Warnings, fmt.Sprintf("%d bookings of these days could not be read and are NOT on this list", len(dropped)))
	}
	if l.KeptUnread > 0 {
		out.Warnings = append(out.Warnings, fmt.Sprintf("%d bookings that only HL7 v2 knows could not be read and are NOT on this list", l.KeptUnread))
	}
	return out, nil
}

// kept are the kept bookings of these days that are none of the appointments.
func (l Lister) kept(from, to time.Time, appointments []fhirmap.Appointment) []fhirmap.Appointment {
	return slices.DeleteFunc(slices.Clone(l.Kept), func(k fhirmap.Appointment) bool {
		return k.Start.Before(from) || !k.Start.Before(to) || slices.ContainsFunc(appointments, func(a fhirmap.Appointment) bool {
			return len(k.Patients) > 0 && slices.Contains(a.Patients, k.Patients[0]) && slices.ContainsFunc(a.Identifiers, func(id string) bool { return slices.Contains(k.Identifiers, id) })
		})
	})
}

// patient reads the name, the Flags and the Tasks of a patient, under the surviving record where it was merged.
func (l Lister) patient(ctx context.Context, patient string, o fhirmap.Options) (*listed, error) {
	p := &listed{}
	var seen []string
	for next := patient; next != "" && !slices.Contains(seen, next) && len(seen) < maxChain; {
		seen = append(seen, next)
		answers, err := l.FHIR.Gather(ctx, []string{next, "Flag?patient=" + next + "&_count=" + pageSize, "Task?patient=" + next + "&_count=" + pageSize})
		if err != nil {
			return nil, fmt.Errorf("read flags and tasks: %w", err)
		}
		record := fhirmap.NewRecord(next, o)
		if answers[0].Err != nil {
			return nil, fmt.Errorf("read the patient: %w", answers[0].Err)
		}
		if err := record.AddResourceText(answers[0].Text); err != nil {
			return nil, fmt.Errorf("read the patient: %w", err)
		}
		for i, t := range ownTypes {
			if err := addWhole(ctx, l.FHIR, record, t, answers[i+1]); err != nil {
				return nil, err
			}
			for _, raw := range record.Raw(t) {
				s, ours, err := fhirmap.ParseStanding(fhirmap.Names{Canonical: l.Config.Canonical}, raw)
				if err != nil {
					return nil, fmt.Errorf("read own %s: %w", t, err)
				}
				if ours {
					p.standing = append(p.standing, s)
				}
			}
		}
		info := record.Patient()
		if p.info.Name == "" || len(info.ReplacedBy) == 0 {
			p.info = info
		}
		next = ""
		if len(info.ReplacedBy) > 0 {
			next = info.ReplacedBy[0]
		}
	}
	return p, nil
}

// addWhole puts an answer with all its pages into a record; a page that is lost is an error.
func addWhole(ctx context.Context, c *fhirhttp.Client, r *fhirmap.Record, typ string, a fhirhttp.Answer) error {
	if a.Err != nil {
		return fmt.Errorf("search %s: %w", typ, a.Err)
	}
	page, err := r.AddText(typ, a.Text)
	if err != nil {
		return fmt.Errorf("page of %s: %w", typ, err)
	}
	if page.Next == "" {
		return nil
	}
	return c.Pages(ctx, page.Next, func(a fhirhttp.Answer) (string, error) {
		defer a.Text.Free()
		p, err := r.AddText(typ, a.Text)
		return p.Next, err
	})
}

func (l Lister) row(a fhirmap.Appointment, p *listed) operatinglist.Row {
	reference := "Appointment/" + a.ID
	if a.ID == "" {
		reference = "Appointment?identifier=" + a.BusinessID
	}
	row := operatinglist.Row{
		Start: a.Start, Patient: p.info.Name, PatientID: a.Patients[0], Born: p.info.BirthDate, Appointment: reference,
		Eye: a.Eye, Service: a.Service, State: a.Status,
	}
	assessment, known := l.Assessments[reference]
	if known {
		row.Outcome, row.Complete, row.Eye = assessment.Outcome, assessment.Complete, assessment.Operation.Eye
		for _, g := range assessment.Gaps {
			if g.Kind != rules.GapTypeNotOffered {
				row.Missing = append(row.Missing, g.Text)
			}
		}
		for _, f := range slices.Concat(assessment.Findings, assessment.Context) {
			if f.Level < rules.Moderate {
				row.Context = append(row.Context, f.Text)
			}
		}
	}
	for _, s := range p.standing {
		switch {
		case s.Type == "Flag" && s.Eye.MayBe(row.Eye):
			if h, ok := l.hazard(s, assessment); ok {
				row.Hazards = append(row.Hazards, h)
			}
		case s.Type == "Task" && (s.Focus == reference || a.ID == "" && s.FocusID == a.BusinessID) && s.Ended == "":
			row.Prepare = append(row.Prepare, l.prepare(s))
		}
	}
	order := func(x operatinglist.Prepare) int {
		return slices.IndexFunc(l.Catalogue.Preparations, func(r rules.PreparationRule) bool { return r.Code == x.Code })
	}
	slices.SortStableFunc(row.Prepare, func(x, y operatinglist.Prepare) int { return order(x) - order(y) })
	return row
}

// hazard is a Flag as the list shows it; one that we ended ourselves is not shown.
func (l Lister) hazard(s fhirmap.Standing, a rules.Assessment) (operatinglist.Hazard, bool) {
	h := operatinglist.Hazard{Hazard: s.Hazard, Level: s.Level, Eye: s.Eye, Text: s.Text}
	if !s.Open() {
		if s.Ended != "" && s.Ours() {
			return h, false
		}
		h.Closed = "closed by a person"
		if !s.LastUpdated.IsZero() {
			h.Closed = "closed " + s.LastUpdated.In(l.Config.Zone()).Format(time.DateOnly) + " by a person"
		}
	}
	for _, d := range s.Details {
		why := operatinglist.Why{Record: d}
		for _, f := range slices.Concat(a.Findings, a.Context) {
			if f.Hazard != s.Hazard {
				continue
			}
			for _, e := range f.Evidence {
				if e.Reference == d && !e.Restricted {
					why.What, why.Date, why.How = e.Matched, e.Date, e.How
				}
			}
		}
		h.Why = append(h.Why, why)
	}
	return h, true
}

func (l Lister) prepare(s fhirmap.Standing) operatinglist.Prepare {
	p := operatinglist.Prepare{Code: s.Preparation, Text: s.Title, Who: s.Who, State: s.Status, Done: !s.Open()}
	p.Due, _ = time.Parse(time.RFC3339, s.Due) // a Task without a date has none
	if i := slices.IndexFunc(l.Catalogue.Preparations, func(r rules.PreparationRule) bool { return r.Code == s.Preparation }); i >= 0 {
		p.Particular = l.Catalogue.Preparations[i].Particular(s.Text)
	}
	return p
}

// siteGaps are the types that the site never offers: the same for everybody, so they stand once, at the foot.
func (l Lister) siteGaps() []string {
	var out []string
	for _, a := range l.Assessments {
		for _, g := range a.Gaps {
			if g.Kind == rules.GapTypeNotOffered && !slices.Contains(out, g.Text) {
				out = append(out, g.Text)
			}
		}
	}
	slices.SortFunc(out, strings.Compare)
	return out
}

// Footer are the cautions at the foot of a list, in the catalogue's words where it has them.
func Footer(c *rules.Catalogue) []string {
	w := c.Wording.Cautions
	return []string{operatinglist.Cautions[0], w["no-clearance"], w["do-not-stop"], w["no-stretching"], w["inside-the-eye"], operatinglist.Cautions[3]}
}

// Row is an assessment as a row of the operating list, where no record system holds Flags and Tasks. Its texts are copies: those of an
// assessment are parts of the input and of other, larger pieces of memory, which a long list would hold for each row.
func (o Offline) Row(a rules.Assessment, r Result) operatinglist.Row {
	row := operatinglist.Row{
		Start: a.Operation.Start, Patient: r.Name, PatientID: a.Patient, Born: r.Born, Appointment: a.Operation.Appointment, Eye: a.Operation.Eye,
		Service: strings.Clone(a.Operation.Service), Outcome: a.Outcome, Complete: a.Complete,
	}
	for _, g := range a.Gaps {
		row.Missing = append(row.Missing, strings.Clone(g.Text))
	}
	min := o.Config.settings().MinLevel
	for _, f := range slices.Concat(a.Findings, a.Context) {
		if f.Level < min || !f.Eye.MayBe(a.Operation.Eye) {
			row.Context = append(row.Context, strings.Clone(f.Text))
		}
	}
	for _, f := range fhirmap.FlagLines(o.Catalogue, a, min) {
		h := operatinglist.Hazard{Hazard: f.Hazard, Level: f.Level, Eye: f.Eye, Text: strings.Clone(f.Text)}
		for _, e := range f.Evidence {
			if !e.Restricted {
				h.Why = append(h.Why, operatinglist.Why{What: strings.Clone(e.Matched), Date: strings.Clone(e.Date), Record: e.Reference, How: e.How})
			}
		}
		row.Hazards = append(row.Hazards, h)
	}
	for _, p := range a.Preparations {
		row.Prepare = append(row.Prepare, operatinglist.Prepare{Code: p.Code, Text: p.Rule.Name, Who: p.Rule.Who, Due: p.Due, Particular: strings.Clone(p.Rule.Particular(p.Text))})
	}
	return row
}
