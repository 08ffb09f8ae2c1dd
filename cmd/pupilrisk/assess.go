package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"time"

	"pupilrisk/worker"
	"pupilrisk/worker/operatinglist"
)

func runAssess(_ context.Context, s surroundings, args []string) error {
	f := flags(s, "assess")
	at := f.String("at", "", "time of the assessment, RFC 3339 (default: now); what was recorded later does not count")
	format := f.String("format", "text", "text, json, or fhir (the transaction Bundle that serve would send)")
	if err := parse(f, args); err != nil {
		return err
	}
	if err := oneOf("format", *format, "text", "json", "fhir"); err != nil {
		return err
	}
	if f.NArg() == 0 {
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
	offline := worker.Offline{Config: cfg, Catalogue: cat, At: when, Version: version}
	list := operatinglist.List{At: when, Zone: cfg.Zone(), Catalogue: cat.Version, Footer: worker.Footer(cat)}
	encoder := json.NewEncoder(s.out)
	encoder.SetEscapeHTML(false)
	progress := progress{to: s.err, what: "patients assessed"}
	each := func(r worker.Result) error {
		progress.one()
		switch *format {
		case "json":
			for _, a := range r.Assessments {
				if err := encoder.Encode(a); err != nil {
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
	for _, name := range f.Args() {
		err := assessFile(s, offline, name, each)
		progress.end()
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	if *format != "text" {
		return nil
	}
	return list.WriteText(s.out, s.columns(), s.colour())
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
