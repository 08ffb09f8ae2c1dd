package operatinglist

import (
	"encoding/json"
	"fmt"
	"io"
	"time"

	"pupilrisk/rules"
)

// rowJSON is the outer shape of a Row, as the README documents it. Keys that stand in the JSON of an assessment too mean
// the same there.
type rowJSON struct {
	Patient     string        `json:"patient"`
	Name        string        `json:"name"`
	Born        string        `json:"born"`
	Appointment string        `json:"appointment"`
	Start       string        `json:"start"`
	Eye         rules.Eye     `json:"eye"`
	Service     string        `json:"service"`
	State       string        `json:"state"`
	Outcome     rules.Outcome `json:"outcome"`
	Complete    bool          `json:"complete"`
	Flags       []flagJSON    `json:"flags"`
	Tasks       []taskJSON    `json:"tasks"`
	Missing     []string      `json:"missing"`
	Notes       []string      `json:"notes"`
	Catalogue   string        `json:"catalogue"`
}

type flagJSON struct {
	Hazard   rules.Hazard `json:"hazard"`
	Level    string       `json:"level"`
	Eye      rules.Eye    `json:"eye"`
	Text     string       `json:"text"`
	Evidence []whyJSON    `json:"evidence"`
	Closed   string       `json:"closed"`
}

type whyJSON struct {
	Reference string    `json:"reference"`
	Matched   string    `json:"matched"`
	Date      string    `json:"date"`
	How       rules.How `json:"how"`
}

type taskJSON struct {
	Code  string `json:"code"`
	Text  string `json:"text"`
	Who   string `json:"who"`
	Due   string `json:"due"`
	State string `json:"state"`
	Done  bool   `json:"done"`
	// Particular is what this eye asks for beyond what the action always is.
	Particular string `json:"particular,omitempty"`
}

// WriteJSON writes one object per row, one per line, in the order of WriteText. Lists are never null and times are RFC 3339
// in the list's zone, "" where there is none. The error is w's.
func (l List) WriteJSON(w io.Writer) error {
	enc := json.NewEncoder(w)
	for _, r := range l.sorted() {
		if err := enc.Encode(l.rowJSON(r)); err != nil {
			return fmt.Errorf("write operating list: %w", err)
		}
	}
	return nil
}

func (l List) rowJSON(r Row) rowJSON {
	out := rowJSON{
		Patient: r.PatientID, Name: r.Patient, Born: r.Born, Appointment: r.Appointment, Start: l.stamp(r.Start),
		Eye: r.Eye, Service: r.Service, State: r.State, Outcome: r.Outcome, Complete: r.Complete,
		Flags: []flagJSON{}, Tasks: []taskJSON{}, Missing: append([]string{}, r.Missing...),
		Notes: append([]string{}, r.Context...), Catalogue: l.Catalogue,
	}
	for _, h := range r.ordered() {
		f := flagJSON{
			Hazard: h.Hazard, Level: h.Level.String(), Eye: h.Eye, Text: h.Text, Evidence: []whyJSON{}, Closed: h.Closed,
		}
		for _, y := range h.Why {
			f.Evidence = append(f.Evidence, whyJSON{Reference: y.Record, Matched: y.What, Date: y.Date, How: y.How})
		}
		out.Flags = append(out.Flags, f)
	}
	for _, p := range r.Prepare {
		out.Tasks = append(out.Tasks, taskJSON{
			Code: p.Code, Text: p.Text, Who: p.Who, Due: l.stamp(p.Due), State: p.State, Done: p.Done, Particular: p.Particular,
		})
	}
	return out
}

func (l List) stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(l.zone()).Format(time.RFC3339)
}
