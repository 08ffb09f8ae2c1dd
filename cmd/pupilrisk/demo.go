package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"
	"time"

	"pupilrisk/rules"
	"pupilrisk/worker/demo"
)

// demoTimeout bounds the demo; it takes a few seconds.
const demoTimeout = 60 * time.Second

func runDemo(f *flag.FlagSet) action {
	format := formats(f, "the list as text, or the assessments as JSON, one a line", "text", "json")
	stay := f.Bool("stay", false, "keep serving and print the addresses; Ctrl-C ends it")
	return func(ctx context.Context, s surroundings, _ []string) (err error) {
		cat, err := loadCatalogue("")
		if err != nil {
			return err
		}
		log := slog.New(slog.NewTextHandler(s.err, &slog.HandlerOptions{Level: slog.LevelError}))
		run, err := demo.Start(ctx, cat, version, log, time.Now)
		if err != nil {
			return err
		}
		defer func() {
			closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), demoTimeout)
			defer cancel()
			err = errors.Join(err, run.Close(closing))
		}()
		waiting, cancel := context.WithTimeout(ctx, demoTimeout)
		defer cancel()
		if err := run.Handled(waiting); err != nil {
			return err
		}
		if format.value == "json" {
			err = writeAssessments(s.out, run.Assessments())
		} else {
			err = writeDemoList(ctx, s, run)
		}
		if err != nil || !*stay {
			return err
		}
		fmt.Fprintf(s.out, "\nFHIR server  %s\nNATS server  %s (token in %s)\nmetrics      %s\nCtrl-C ends the demo.\n", run.FHIRURL, run.NATSURL, run.Token, run.MetricsURL)
		<-ctx.Done()
		return nil
	}
}

func writeDemoList(ctx context.Context, s surroundings, run *demo.Run) error {
	list, err := run.List(ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "Demo: every person and record below is invented. %d bookings and changes were published as events.\n\n", len(run.Clinic.Events))
	return list.WriteText(s.out, s.columns(), s.colour())
}

// writeAssessments writes one JSON object per operation and line, by start and booking.
func writeAssessments(w io.Writer, all map[string]rules.Assessment) error {
	list := make([]rules.Assessment, 0, len(all))
	for _, a := range all {
		list = append(list, a)
	}
	slices.SortFunc(list, func(x, y rules.Assessment) int {
		if c := x.Operation.Start.Compare(y.Operation.Start); c != 0 {
			return c
		}
		return strings.Compare(x.Operation.Appointment, y.Operation.Appointment)
	})
	for _, a := range list {
		if err := writeJSON(w, a); err != nil {
			return err
		}
	}
	return nil
}
