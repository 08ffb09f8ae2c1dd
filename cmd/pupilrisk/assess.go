package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"sync/atomic"
	"time"

	"pupilrisk/worker"
	"pupilrisk/worker/operatinglist"
)

func runAssess(f *flag.FlagSet) action {
	at := f.String("at", "", "`TIME` of the assessment, RFC 3339 (default: now); what was recorded later does not count")
	format := formats(f, "text; JSON, one assessment a line; or FHIR, the transaction Bundles that serve would send", "text", "json", "fhir")
	return func(_ context.Context, s surroundings, args []string) error {
		if len(args) == 0 {
			return usageError{fmt.Errorf("assess wants at least one FILE (- is standard input)")}
		}
		when := time.Now()
		if *at != "" {
			var err error
			if when, err = time.Parse(time.RFC3339, *at); err != nil {
				return usageError{fmt.Errorf("--at: %q is no time of the form 2026-11-25T08:00:00Z", *at)}
			}
		}
		cfg, cat, err := configured(s, "")
		if err != nil {
			return err
		}
		if format.value != "text" { // which holds its whole list
			collectAt(s, worker.AssessGCPercent)
		}
		offline := worker.Offline{Config: cfg, Catalogue: cat, At: when, Version: version}
		list := operatinglist.List{At: when, Zone: cfg.Zone(), Catalogue: cat.Version, Footer: worker.Footer(cat)}
		var patients atomic.Int64
		each := func(r worker.Result) error {
			patients.Add(1)
			switch format.value {
			case "json":
				for _, a := range r.Assessments {
					line, err := a.MarshalJSON() // an encoder would go over it once more
					if err != nil {
						return err
					}
					if _, err := s.out.Write(append(line, '\n')); err != nil {
						return fmt.Errorf("write: %w", err)
					}
				}
			case "fhir":
				bundle, err := r.Transaction()
				if err != nil {
					return err
				}
				if bundle != nil {
					if _, err := s.out.Write(append(bytes.TrimSpace(bundle), '\n')); err != nil {
						return fmt.Errorf("write: %w", err)
					}
				}
			default:
				for _, a := range r.Assessments {
					list.Rows = append(list.Rows, offline.Row(a, r))
				}
			}
			return nil
		}
		for _, name := range args {
			end := newProgress(s.err).while(func() string { return fmt.Sprintf("%d patients assessed", patients.Load()) })
			err := assessFile(s, offline, name, each)
			end()
			if err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
		}
		if format.value != "text" {
			return nil
		}
		return list.WriteText(s.out, s.columns(), s.colour())
	}
}

func assessFile(s surroundings, o worker.Offline, name string, each func(worker.Result) error) error {
	in := s.in
	if name != "-" {
		file, err := os.Open(name)
		if err != nil {
			return fmt.Errorf("cannot be read")
		}
		defer file.Close()
		in = io.Reader(file)
	}
	return o.Read(in, each)
}
