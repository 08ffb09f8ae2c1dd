package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"pupilrisk/worker"
)

// runReport prints what shadow mode found, before a clinic goes live.
func runReport(f *flag.FlagSet) action {
	file := configFlag(f)
	day := f.String("from", "", "first day, a `DATE` YYYY-MM-DD in the clinic's zone (default: all that is kept)")
	format := formats(f, "text, or one JSON object", "text", "json")
	return func(ctx context.Context, s surroundings, _ []string) (err error) {
		cfg, cat, err := configured(s, *file)
		if err != nil {
			return err
		}
		var from time.Time
		if *day != "" {
			if from, err = time.ParseInLocation(time.DateOnly, *day, cfg.Zone()); err != nil {
				return usageError{fmt.Errorf("--from: %q is no date of the form YYYY-MM-DD", *day)}
			}
		}
		nats, err := worker.OpenStream(ctx, cfg)
		if err != nil {
			return err
		}
		defer func() {
			closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
			defer cancel()
			err = errors.Join(err, nats.Close(closing))
		}()
		begun := time.Now()
		end := newProgress(s.err).while(func() string {
			return fmt.Sprintf("reading what shadow mode found, %.0f s", time.Since(begun).Seconds())
		})
		r, err := worker.Report(ctx, nats, cat, from, cfg.Zone())
		end()
		if errors.Is(err, jetstream.ErrBucketNotFound) {
			return errors.New("no report is kept: the worker has not run in shadow mode on this stream")
		}
		if err != nil {
			return err
		}
		if format.value == "json" {
			return r.WriteJSON(s.out)
		}
		return r.WriteText(s.out, s.columns())
	}
}
