package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"strings"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
)

func runCatalogue(_ context.Context, s surroundings, args []string) error {
	f := flags(s, "catalogue")
	if err := parse(f, args); err != nil {
		return err
	}
	switch {
	case f.Arg(0) == "check" && f.NArg() <= 2:
		return checkCatalogue(s, f.Arg(1))
	case f.Arg(0) == "list" && f.NArg() == 1:
		c, err := loadCatalogue(overlay(s))
		if err != nil {
			return err
		}
		listFactors(s.out, c)
		return nil
	case f.Arg(0) == "codes" && f.NArg() == 2:
		c, err := loadCatalogue(overlay(s))
		if err != nil {
			return err
		}
		return listCodes(s.out, c, f.Arg(1))
	}
	return usageError{fmt.Errorf("catalogue takes: check [DIR], list, or codes FACTOR")}
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

func checkCatalogue(s surroundings, dir string) error {
	if dir == "" {
		dir = overlay(s)
	}
	if dir != "" {
		if info, err := os.Stat(dir); err != nil || !info.IsDir() {
			return usageError{fmt.Errorf("catalogue check: no such directory")}
		}
	}
	c, err := fhirmap.LoadCatalogue(catalogue.FS)
	if err == nil && dir != "" {
		c, err = fhirmap.LoadCatalogue(catalogue.FS, os.DirFS(dir))
	}
	if err != nil {
		return err
	}
	if err := c.CheckCases(); err != nil {
		return err
	}
	codes := 0
	for _, set := range c.CodeSets {
		codes += len(set.Codes) + len(set.Branches)
	}
	fmt.Fprintf(s.out, "catalogue %s: %d factors, %d code sets with %d codes, %d preparations, %d worked cases: no fault\n", c.Version, len(c.Factors), len(c.CodeSets), codes, len(c.Preparations), c.Cases())
	return nil
}

func listFactors(w io.Writer, c *rules.Catalogue) {
	fmt.Fprintf(w, "catalogue %s\n", c.Version)
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

func listCodes(w io.Writer, c *rules.Catalogue, factor string) error {
	for _, x := range c.Factors {
		if x.ID != factor {
			continue
		}
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
		return nil
	}
	return usageError{fmt.Errorf("catalogue codes: no factor %q; pupilrisk catalogue list prints them", factor)}
}
