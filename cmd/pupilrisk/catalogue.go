package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
)

func runCatalogue(f *flag.FlagSet) action {
	format := formats(f, "text, or JSON; list: one object for each factor; codes: one for each way to recognise it; check: one with catalogue, factors, "+
		"codeSets, codes, preparations, workedCases, faults", "text", "json")
	return func(_ context.Context, s surroundings, args []string) error {
		verb, rest := verbOf(args)
		inJSON := format.value == "json"
		switch {
		case verb == "check" && len(rest) <= 1:
			dir, _ := verbOf(append(rest, overlay(s)))
			return checkCatalogue(s.out, dir, inJSON)
		case verb == "list" && len(rest) == 0, verb == "codes" && len(rest) == 1:
			c, err := loadCatalogue(overlay(s))
			switch {
			case err != nil:
				return err
			case verb == "list" && inJSON:
				return writeFactors(s.out, c)
			case verb == "list":
				listFactors(s.out, c)
				listActions(s.out, c)
				listWording(s.out, c)
				return nil
			}
			i := slices.IndexFunc(c.Factors, func(x *rules.Factor) bool { return x.ID == rest[0] })
			switch {
			case i < 0:
				return usageError{fmt.Errorf("catalogue codes: no factor %q; pupilrisk catalogue list prints them", rest[0])}
			case inJSON:
				return writeCodes(s.out, c, c.Factors[i])
			}
			listCodes(s.out, c, c.Factors[i])
			return nil
		}
		return usageError{fmt.Errorf("catalogue takes: check [DIR], list, or codes FACTOR")}
	}
}

// overlay is the overlay directory that the environment names.
func overlay(s surroundings) string {
	for _, kv := range s.environ {
		if v, ok := strings.CutPrefix(kv, "PUPILRISK_CATALOGUE_DIR="); ok {
			return v
		}
	}
	return ""
}

// checkedJSON is what a check found; faults are lines "file:line: reason".
type checkedJSON struct {
	Catalogue    string   `json:"catalogue,omitempty"`
	Factors      int      `json:"factors"`
	CodeSets     int      `json:"codeSets"`
	Codes        int      `json:"codes"`
	Preparations int      `json:"preparations"`
	WorkedCases  int      `json:"workedCases"`
	Faults       []string `json:"faults"`
}

func checkCatalogue(out io.Writer, dir string, inJSON bool) error {
	if dir != "" {
		if info, err := os.Stat(dir); err != nil || !info.IsDir() {
			return usageError{fmt.Errorf("catalogue check: no such directory")}
		}
	}
	c, err := fhirmap.LoadCatalogue(catalogue.FS)
	if err == nil && dir != "" {
		c, err = fhirmap.LoadCatalogue(catalogue.FS, os.DirFS(dir))
	}
	if err == nil {
		err = c.CheckCases()
	}
	if err != nil {
		if inJSON {
			err = errors.Join(err, writeJSON(out, checkedJSON{Faults: strings.Split(err.Error(), "\n")}))
		}
		return err
	}
	x := checkedJSON{
		Catalogue: c.Version, Factors: len(c.Factors), CodeSets: len(c.CodeSets), Preparations: len(c.Preparations), WorkedCases: c.Cases(), Faults: []string{},
	}
	for _, set := range c.CodeSets {
		x.Codes += len(set.Codes) + len(set.Branches)
	}
	if inJSON {
		return writeJSON(out, x)
	}
	fmt.Fprintf(out, "catalogue %s: %d factors, %d code sets with %d codes, %d preparations, %d worked cases: no fault\n",
		x.Catalogue, x.Factors, x.CodeSets, x.Codes, x.Preparations, x.WorkedCases)
	return nil
}

func listFactors(w io.Writer, c *rules.Catalogue) {
	fmt.Fprintf(w, "catalogue %s\n\nevidence grade: A pooled or large controlled studies, B controlled, C regulator or series, D reports or mechanism\n"+
		"in brackets: how a source was looked up (page or abstract read; from memory: by nobody)\n\nFACTORS\n", c.Version)
	for _, x := range c.Factors {
		level := x.Level.String()
		switch {
		case x.ContextOnly:
			level = "context only"
		case x.Measure != nil:
			level = "by size"
		}
		fmt.Fprintf(w, "\n%s (%s)\n  %s, %s, evidence grade %s, eye at risk: %s\n", x.Name, x.ID, x.Hazard, level, x.Grade, x.Eyes)
		if x.Why != "" {
			fmt.Fprintf(w, "  why: %s\n", x.Why)
		}
		if x.Measure != nil {
			for _, b := range x.Measure.Bands {
				limit := ""
				switch {
				case b.UpTo != nil:
					limit = fmt.Sprintf("%g mm or less", *b.UpTo)
				case b.Below != nil:
					limit = fmt.Sprintf("below %g mm", *b.Below)
				}
				beside := ""
				if b.Beside {
					beside = ", only beside another factor of that eye"
				}
				fmt.Fprintf(w, "  %s %s: %s%s\n", x.Measure.Name, limit, b.Level, beside)
			}
		}
		for _, r := range x.Raise {
			fmt.Fprintf(w, "  %s with %s below %g mm\n", r.To, r.Factor, r.Below)
		}
		if x.Fellow != rules.NoLevel {
			fmt.Fprintf(w, "  the other eye: %s\n", x.Fellow)
		}
		if x.Persists {
			fmt.Fprintf(w, "  still counts after it has ended%s\n", dash(x.PersistsWhy))
		}
		if x.Jurisdiction != "" {
			fmt.Fprintf(w, "  labels: %s\n", x.Jurisdiction)
		}
		for _, fig := range x.Figures {
			fmt.Fprintf(w, "  figure: %s, against %s (%s)\n", fig.Text, fig.Comparator, fig.Source)
		}
		for _, src := range x.Sources {
			fmt.Fprintf(w, "  source: %s%s\n", src.Text, checked(src.Checked))
		}
	}
}

// listActions prints what is to be done, what is added to it when, and what is asked.
func listActions(w io.Writer, c *rules.Catalogue) {
	fmt.Fprintf(w, "\nTASKS\n")
	for _, p := range c.Preparations {
		when := "at once"
		if p.Days > 0 {
			when = fmt.Sprintf("%d days before", p.Days)
			if p.Working {
				when = strings.Replace(fmt.Sprintf("%d working days before", p.Days), "1 working days", "the working day", 1)
			}
		}
		fmt.Fprintf(w, "\n%s (%s)\n  %s, %s%s\n  %s\n", p.Name, p.Code, p.Who, when, calledBy(p), p.Text)
		for _, a := range p.Advice {
			fmt.Fprintf(w, "  adds \"%s\"%s\n    source: %s\n", a.Text, adviceWhen(a), a.Source)
		}
	}
	fmt.Fprintf(w, "\nCAUTIONS, added to tasks\n")
	for _, x := range c.Cautions {
		fmt.Fprintf(w, "\n%s\n  %s\n  to: %s\n", x.ID, x.Text, strings.Join(x.Preparations, ", "))
		if len(x.Factors) > 0 {
			fmt.Fprintf(w, "  by: %s\n", strings.Join(x.Factors, ", "))
		}
		listMatches(w, x.Matches)
		fmt.Fprintf(w, "  source: %s\n", x.Source)
	}
	fmt.Fprintf(w, "\nQUESTIONS\n")
	for _, q := range c.Questions {
		fmt.Fprintf(w, "\n%s\n  %s\n  not with: %s\n", q.ID, q.Text, strings.Join(q.Unless, ", "))
		listMatches(w, q.Matches)
	}
}

// listMatches prints by which records something is called for.
func listMatches(w io.Writer, all []rules.FactorMatch) {
	for _, m := range all {
		var kinds []string
		for _, k := range m.Kinds {
			kinds = append(kinds, string(k))
		}
		fmt.Fprintf(w, "  by %s (%s): %s\n", strings.ReplaceAll(m.Substance, "-", " "), strings.Join(kinds, ", "), strings.Join(slices.Concat(m.Codes, m.Words), ", "))
	}
}

func calledBy(p rules.PreparationRule) string {
	var by []string
	if len(p.Hazards) > 0 {
		by = append(by, "a "+p.MinLevel.String()+" finding or stronger")
	}
	for _, gaps := range [][]rules.GapKind{p.Gaps, p.OnlyWithGaps} {
		for _, g := range gaps {
			by = append(by, string(g))
		}
	}
	return "; called for by: " + strings.Join(by, ", ")
}

func adviceWhen(a rules.Advice) string {
	var when []string
	if len(a.Factors) > 0 {
		when = append(when, "with "+strings.Join(a.Factors, ", "))
	}
	for _, x := range []struct {
		what string
		mm   *float64
	}{{"pupil up to", a.PupilUpTo}, {"pupil above", a.PupilAbove}, {"chamber below", a.ChamberBelow}, {"chamber from", a.ChamberFrom}} {
		if x.mm != nil {
			when = append(when, fmt.Sprintf("%s %g mm", x.what, *x.mm))
		}
	}
	if len(when) == 0 {
		return ""
	}
	return " " + strings.Join(when, ", ")
}

// listWording prints the words of flags, tasks and lists.
func listWording(w io.Writer, c *rules.Catalogue) {
	fmt.Fprintf(w, "\nWORDING\n")
	x := c.Wording
	for _, m := range []map[string]string{x.Levels, x.Hazards, x.Eyes, x.Outcomes, x.Cautions, x.Gaps} {
		for _, key := range slices.Sorted(maps.Keys(m)) {
			fmt.Fprintf(w, "  %s: %s\n", key, m[key])
		}
	}
}

// checked is how a source or a code was looked up, behind it.
func checked(how string) string {
	if how == "" {
		return ""
	}
	return " [" + how + "]"
}

func dash(s string) string {
	if s == "" {
		return ""
	}
	return ": " + s
}

func listCodes(w io.Writer, c *rules.Catalogue, x *rules.Factor) {
	for _, m := range x.Matches {
		for _, id := range m.Codes {
			set := c.CodeSets[id]
			fmt.Fprintf(w, "%s (%s)\n", set.Title, id)
			for _, k := range set.Codes {
				fmt.Fprintf(w, "  %s|%s  %s%s\n", k.System, k.Code, k.Display, checked(set.Checked[k]))
			}
			for _, k := range set.Branches {
				fmt.Fprintf(w, "  %s|%s and all below%s\n", k.System, k.Code, checked(set.Checked[k]))
			}
			for _, k := range set.Except {
				fmt.Fprintf(w, "  except %s|%s and all below\n", k.System, k.Code)
			}
			for _, k := range set.ExceptCodes {
				fmt.Fprintf(w, "  except %s|%s\n", k.System, k.Code)
			}
		}
		if len(m.Words) > 0 {
			fmt.Fprintf(w, "text: %s\n", strings.Join(m.Words, ", "))
		}
		for _, b := range m.Brands {
			fmt.Fprintf(w, "brand: %s (%s)\n", b.Name, b.Country)
		}
		if len(m.Unless) > 0 {
			fmt.Fprintf(w, "not with: %s\n", strings.Join(m.Unless, ", "))
		}
	}
}
