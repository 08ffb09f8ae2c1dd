package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"slices"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"pupilrisk/rules"
	"pupilrisk/worker"
)

// runWithdraw takes back what the worker wrote and nobody has touched.
func runWithdraw(f *flag.FlagSet) action {
	file := configFlag(f)
	var x worker.Withdrawal
	f.StringVar(&x.Factor, "factor", "", "only what rests on this `FACTOR` of the catalogue alone")
	f.StringVar(&x.Catalogue, "catalogue", "", "only what was last written with this `VERSION` of the catalogue")
	f.BoolVar(&x.DryRun, "dry-run", false, "count, and write nothing")
	since := f.String("since", "", "only what was written at or after this `TIME` (RFC 3339)")
	format := formats(f, "text, or one JSON object: dryRun, flags, tasks, changedByPerson, changedMeanwhile (patients: run it again)", "text", "json")
	return func(ctx context.Context, s surroundings, _ []string) error {
		if *since != "" {
			var err error
			if x.Since, err = time.Parse(time.RFC3339, *since); err != nil {
				return usageError{errors.New("--since wants a time such as 2026-11-25T08:00:00Z")}
			}
		}
		cfg, cat, err := configured(s, *file)
		if err != nil {
			return err
		}
		if err := cfg.NeedFHIR(); err != nil {
			return err
		}
		cfg.Mode = worker.Live // what stands is in the FHIR server, whatever the worker's mode is now
		line := newProgress(s.err)
		log := logger(line, cfg, cfg.Level())
		registry := prometheus.NewRegistry()
		metrics := worker.NewMetrics(registry, version, cat.Version, cfg.Mode, cat)
		client, err := worker.OpenFHIR(cfg, version, log, metrics)
		if err != nil {
			return err
		}
		defer client.Close()
		end := line.while(func() string { return withdrawing(registry) })
		done, err := worker.New(worker.Parts{Config: cfg, Version: version, Log: log, Catalogue: cat, FHIR: client, Metrics: metrics}).Withdraw(ctx, x)
		end()
		if err == nil && done.Flags+done.Tasks+done.Touched == 0 && !knownFactor(cat, x.Factor) {
			// In an emergency a slip of the hand must not look like success.
			err = fmt.Errorf("nothing rests on a factor %q, and no catalogue here has one; pupilrisk catalogue list prints them", x.Factor)
		}
		if format.value == "json" {
			return errors.Join(err, writeJSON(s.out, struct {
				DryRun           bool `json:"dryRun"`
				Flags            int  `json:"flags"`
				Tasks            int  `json:"tasks"`
				ChangedByPerson  int  `json:"changedByPerson"`
				ChangedMeanwhile int  `json:"changedMeanwhile"`
			}{x.DryRun, done.Flags, done.Tasks, done.Touched, done.Changed}))
		}
		verb := "taken back"
		if x.DryRun {
			verb = "would be taken back"
		}
		fmt.Fprintf(s.out, "%d flags and %d tasks %s; %d that a person changed stand\n", done.Flags, done.Tasks, verb, done.Touched)
		if done.Changed > 0 {
			fmt.Fprintf(s.out, "%d patients' records changed meanwhile; run it again\n", done.Changed)
		}
		return err
	}
}

// knownFactor reports that a factor, where one is named, is of the catalogue in use or of the built-in one: a site may have switched
// it off since.
func knownFactor(c *rules.Catalogue, factor string) bool {
	builtIn, err := loadCatalogue("")
	if factor == "" || err != nil {
		return true
	}
	return slices.ContainsFunc(slices.Concat(c.Factors, builtIn.Factors), func(f *rules.Factor) bool { return f.ID == factor })
}

// withdrawing says how far a withdrawal is, by the worker's own metrics: it reads all that stands, then writes.
func withdrawing(registry *prometheus.Registry) string {
	count := map[string]float64{}
	families, _ := registry.Gather() // what fails is missing from the line, no more
	for _, family := range families {
		for _, m := range family.GetMetric() {
			count[family.GetName()] += m.GetCounter().GetValue()
		}
	}
	return fmt.Sprintf("%.0f requests to the FHIR server, %.0f resources written", count["pupilrisk_fhir_requests_total"], count["pupilrisk_writes_total"])
}
