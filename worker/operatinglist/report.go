package operatinglist

import (
	"bufio"
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"
)

// Report is what shadow mode found, in numbers: what live mode would have put before the clinic.
type Report struct {
	From time.Time // zero: all that is kept
	Days []*ReportDay
	// How many operations each factor is found for, each action is called for, and each kind of question is open for.
	Factors, Preparations, Gaps Tally
	// How many patients with an operation have a drug that nothing recognised; how many a booking that no rule recognises.
	Drugs, Services Tally
}

// ReportDay counts the operations of a day by what is to be expected. All but Incomplete exclude each other.
type ReportDay struct {
	Day                                                   string // 2026-11-26; "" for operations without a date
	Operations, Expect, HaveReady, NoneFound, NotAssessed int
	Incomplete                                            int
	Factors                                               Tally
}

// Tally counts by name. The zero value is ready.
type Tally map[string]int

// Add counts one.
func (t *Tally) Add(name string) {
	if *t == nil {
		*t = Tally{}
	}
	(*t)[name]++
}

// counted is one line of a Tally.
type counted struct {
	Name string `json:"name"`
	N    int    `json:"count"`
}

// sorted is the tally, the most frequent first.
func (t Tally) sorted() []counted {
	out := []counted{}
	for _, name := range slices.Sorted(maps.Keys(t)) {
		out = append(out, counted{name, t[name]})
	}
	slices.SortStableFunc(out, func(a, b counted) int { return cmp.Compare(b.N, a.N) })
	return out
}

// MarshalJSON writes a list, the most frequent first.
func (t Tally) MarshalJSON() ([]byte, error) { return json.Marshal(t.sorted()) }

// Day is the day of an operation in the clinic's zone, made where it is new. Days stay in order; the one without a date is last.
func (r *Report) Day(start time.Time, zone *time.Location) *ReportDay {
	day := ""
	if !start.IsZero() {
		day = start.In(zone).Format(time.DateOnly)
	}
	i, found := slices.BinarySearchFunc(r.Days, day, func(d *ReportDay, day string) int {
		if (d.Day == "") != (day == "") {
			return cmp.Compare(day, d.Day)
		}
		return cmp.Compare(d.Day, day)
	})
	if !found {
		r.Days = slices.Insert(r.Days, i, &ReportDay{Day: day})
	}
	return r.Days[i]
}

// WriteJSON writes the report as one object.
func (r Report) WriteJSON(w io.Writer) error {
	type day struct {
		Day         string `json:"day"`
		Operations  int    `json:"operations"`
		Expect      int    `json:"expect"`
		HaveReady   int    `json:"haveReady"`
		NoneFound   int    `json:"noneFound"`
		NotAssessed int    `json:"notAssessed"`
		Incomplete  int    `json:"incomplete"`
		Factors     Tally  `json:"factors"`
	}
	days := []day{}
	for _, d := range r.Days {
		days = append(days, day(*d))
	}
	body, err := json.Marshal(struct {
		Days         []day `json:"days"`
		Factors      Tally `json:"factors"`
		Preparations Tally `json:"preparations"`
		Gaps         Tally `json:"gaps"`
		Drugs        Tally `json:"unrecognisedDrugs"`
		Services     Tally `json:"unrecognisedServices"`
	}{days, r.Factors, r.Preparations, r.Gaps, r.Drugs, r.Services})
	if err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	if _, err := w.Write(append(body, '\n')); err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	return nil
}

// WriteText prints the report for a person, in lines of at most width columns (60 at least). The error is w's.
func (r Report) WriteText(w io.Writer, width int) error {
	p := printer{out: bufio.NewWriter(w), width: max(width, leastLine)}
	since := "all that is kept"
	if !r.From.IsZero() {
		since = "operations from " + r.From.Format(dayFormat)
	}
	p.paragraph("WHAT SHADOW MODE FOUND, " + since)
	p.paragraph("Nothing of this was written to the record. A finding is a prompt to prepare; none is no clearance.")
	if len(r.Days) == 0 {
		p.put("")
		p.paragraph("No operation was looked at. Is the worker running in shadow mode, and does it recognise the clinic's bookings?")
	} else {
		p.put("")
		p.put("day              operations  EXPECT  HAVE READY  no warning  not assessed  incomplete")
		for _, d := range r.Days {
			day := "no date yet"
			if at, err := time.Parse(time.DateOnly, d.Day); err == nil {
				day = at.Format(dayFormat)
			}
			p.put(fmt.Sprintf("%-15s  %10d  %6d  %10d  %10d  %12d  %10d", day, d.Operations, d.Expect, d.HaveReady, d.NoneFound, d.NotAssessed, d.Incomplete))
			var factors []string
			for _, c := range d.Factors.sorted() {
				factors = append(factors, fmt.Sprintf("%s %d", clean(c.Name), c.N))
			}
			if len(factors) > 0 {
				for _, t := range wrap(strings.Join(factors, ", "), p.width-4) {
					p.put("    " + t)
				}
			}
		}
	}
	p.tally("Operations by factor", r.Factors)
	p.tally("Operations by task", r.Preparations)
	p.tally("Operations by open question", r.Gaps)
	p.tally("Drugs that nothing recognised, by patients (give the catalogue their codes or names)", r.Drugs)
	p.tally("Bookings that no rule recognises, by patients (operations.match decides on them)", r.Services)
	if err := p.out.Flush(); err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	return nil
}

func (p *printer) tally(title string, t Tally) {
	p.put("")
	p.paragraph(title)
	if len(t) == 0 {
		p.put("     none")
	}
	for _, c := range t.sorted() {
		number := fmt.Sprintf("%6d  ", c.N)
		for _, line := range wrap(clean(c.Name), p.width-len(number)) {
			p.put(number + line)
			number = strings.Repeat(" ", len(number))
		}
	}
}
