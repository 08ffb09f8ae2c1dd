package main

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"pupilrisk/worker"
)

func runList(ctx context.Context, s surroundings, args []string) error {
	f := flags(s, "list")
	file := f.String("config", "", "configuration file (YAML); PUPILRISK_CONFIG names it too")
	from := f.String("from", "", "first day, YYYY-MM-DD in the clinic's zone (default: today)")
	days := f.Int("days", 7, "how many days")
	format := f.String("format", "text", "text or json")
	if err := parse(f, args); err != nil {
		return err
	}
	if err := oneOf("format", *format, "text", "json"); err != nil {
		return err
	}
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
	l, err := worker.Lister{Config: cfg, Catalogue: cat, FHIR: client, Now: time.Now}.List(ctx, first, first.AddDate(0, 0, *days))
	if err != nil {
		return err
	}
	if *format == "json" {
		return l.WriteJSON(s.out)
	}
	return l.WriteText(s.out, s.columns(), s.colour())
}
