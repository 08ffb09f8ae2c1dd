package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"pupilrisk/worker"
)

// runWithdraw takes back what the worker wrote and nobody has touched.
func runWithdraw(ctx context.Context, s surroundings, args []string) error {
	f := flags(s, "withdraw")
	file := f.String("config", "", "configuration file (YAML)")
	var x worker.Withdrawal
	f.StringVar(&x.Factor, "factor", "", "only what rests on this factor alone")
	f.StringVar(&x.Catalogue, "catalogue", "", "only what was last written with this version of the catalogue")
	f.BoolVar(&x.DryRun, "dry-run", false, "count, and write nothing")
	since := f.String("since", "", "only what was written at or after this time (RFC 3339)")
	if err := parse(f, args); err != nil {
		return err
	}
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
	log := logger(s.err, cfg, cfg.Level())
	metrics := worker.NewMetrics(prometheus.NewRegistry(), version, cat.Version, cfg.Mode, cat)
	client, err := worker.OpenFHIR(cfg, version, log, metrics)
	if err != nil {
		return err
	}
	defer client.Close()
	done, err := worker.New(worker.Parts{Config: cfg, Version: version, Log: log, Catalogue: cat, FHIR: client, Metrics: metrics}).Withdraw(ctx, x)
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
