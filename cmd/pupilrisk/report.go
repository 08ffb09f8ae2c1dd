package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"pupilrisk/worker"
)

// runReport prints what shadow mode found, before a clinic goes live.
func runReport(ctx context.Context, s surroundings, args []string) (err error) {
	f := flags(s, "report")
	file := f.String("config", "", "configuration file (YAML); PUPILRISK_CONFIG names it too")
	day := f.String("from", "", "first day, YYYY-MM-DD in the clinic's zone (default: all that is kept)")
	format := f.String("format", "text", "text or json")
	if err := parse(f, args); err != nil {
		return err
	}
	if err := oneOf("format", *format, "text", "json"); err != nil {
		return err
	}
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
	r, err := worker.Report(ctx, nats, cat, from, cfg.Zone())
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		return errors.New("no report is kept: the worker has not run in shadow mode on this stream")
	}
	if err != nil {
		return err
	}
	if *format == "json" {
		return r.WriteJSON(s.out)
	}
	return r.WriteText(s.out, s.columns())
}
