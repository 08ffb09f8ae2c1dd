package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"time"

	"pupilrisk/fhirmap"
	"pupilrisk/worker"
)

func runList(f *flag.FlagSet) action {
	file := configFlag(f)
	from := f.String("from", "", "first day, a `DATE` YYYY-MM-DD in the clinic's zone (default: today)")
	days := f.Int("days", 7, "how many days: `N` from 1 to 366")
	format := formats(f, "text, or JSON, one operation a line", "text", "json")
	return func(ctx context.Context, s surroundings, _ []string) error {
		if *days < 1 || *days > 366 {
			return usageError{fmt.Errorf("--days: wants 1 to 366")}
		}
		cfg, cat, err := configured(s, *file)
		if err != nil {
			return err
		}
		if err := cfg.NeedFHIR(); err != nil {
			return err
		}
		now := time.Now().In(cfg.Zone())
		first := time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, cfg.Zone())
		if *from != "" {
			if first, err = time.ParseInLocation(time.DateOnly, *from, cfg.Zone()); err != nil {
				return usageError{fmt.Errorf("--from: %q is no date of the form YYYY-MM-DD", *from)}
			}
		}
		client, err := worker.OpenFHIR(cfg, version, slog.New(slog.DiscardHandler), nil)
		if err != nil {
			return err
		}
		defer client.Close()
		kept, keptUnread, unread := keptBookings(ctx, cfg)
		l, err := worker.Lister{Config: cfg, Catalogue: cat, FHIR: client, Kept: kept, KeptUnread: keptUnread, Now: time.Now}.List(ctx, first, first.AddDate(0, 0, *days))
		if err != nil {
			return err
		}
		if unread != nil && cfg.MLLPAddr != "" {
			l.Warnings = append(l.Warnings, "the worker's stream cannot be reached: bookings that only HL7 v2 knows are NOT on this list")
		}
		if format.value == "json" {
			return l.WriteJSON(s.out)
		}
		return l.WriteText(s.out, s.columns(), s.colour())
	}
}

// streamTimeout is how long the worker's stream is waited for.
const streamTimeout = 3 * time.Second

// keptBookings are those that only HL7 v2 knows, as the running worker keeps them.
func keptBookings(ctx context.Context, cfg worker.Config) (kept []fhirmap.Appointment, unread int, err error) {
	ctx, cancel := context.WithTimeout(ctx, streamTimeout)
	defer cancel()
	nats, err := worker.OpenStream(ctx, cfg)
	if err != nil {
		return nil, 0, err
	}
	defer func() { err = errors.Join(err, nats.Close(ctx)) }()
	return worker.KeptBookings(ctx, nats, cfg)
}
