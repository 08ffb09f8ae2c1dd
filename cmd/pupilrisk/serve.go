package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"pupilrisk/rules"
	"pupilrisk/worker"
)

func runServe(f *flag.FlagSet) action {
	file := configFlag(f)
	check := f.Bool("check", false, "print the effective configuration, try each connection, and end")
	format := formats(f, "with --check: text, or one JSON object: version, catalogue, configuration (key, value, place), connections (what, says), works", "text", "json")
	return func(ctx context.Context, s surroundings, args []string) error {
		if len(args) > 0 {
			return usageError{fmt.Errorf("serve takes no argument %q", args[0])}
		}
		if format.value == "json" && !*check {
			return usageError{errors.New("serve: --format is for --check; log.format is the log's")}
		}
		cfg, cat, err := configured(s, *file)
		if err != nil {
			return err
		}
		if err := cfg.NeedFHIR(); err != nil {
			return err
		}
		var level slog.LevelVar
		level.Set(cfg.Level())
		log := logger(s.err, cfg, &level)
		switch {
		case *check && format.value == "json":
			return writeCheck(ctx, s.out, cfg, cat)
		case *check:
			return printCheck(ctx, s.out, cfg, cat)
		}
		collectAt(s, worker.ServeGCPercent)
		asked := make(chan os.Signal, 1)
		signal.Notify(asked, syscall.SIGHUP)
		defer signal.Stop(asked)
		return worker.Serve(ctx, cfg, cat, version, log, worker.Reload{
			Asked: asked, Level: &level,
			Load: func() (worker.Config, *rules.Catalogue, error) { return configured(s, *file) },
		})
	}
}

// printCheck is serve --check for people.
func printCheck(ctx context.Context, out io.Writer, cfg worker.Config, cat *rules.Catalogue) error {
	say := func(what, text string) { fmt.Fprintf(out, "%-30s %s\n", what, text) }
	for _, x := range cfg.Effective() {
		value := cmp.Or(x.Value, "-")
		if x.Secret {
			value += " (content not shown)"
		}
		say(x.Key, value+"  ["+x.Place+"]")
	}
	fmt.Fprintln(out)
	say("version", version+", catalogue "+cat.Version)
	return worker.Check(ctx, say, cfg, version)
}

// keyJSON is one setting and where it was set; connectionJSON is what one connection says.
type (
	keyJSON struct {
		Key   string `json:"key"`
		Value string `json:"value"`
		Place string `json:"place"`
	}
	connectionJSON struct {
		What string `json:"what"`
		Says string `json:"says"`
	}
)

// writeCheck is serve --check in one object.
func writeCheck(ctx context.Context, out io.Writer, cfg worker.Config, cat *rules.Catalogue) error {
	settings, connections := []keyJSON{}, []connectionJSON{}
	for _, x := range cfg.Effective() {
		settings = append(settings, keyJSON{x.Key, x.Value, x.Place})
	}
	fault := worker.Check(ctx, func(what, text string) {
		connections = append(connections, connectionJSON{what, strings.ReplaceAll(text, "\n", "; ")})
	}, cfg, version)
	return errors.Join(fault, writeJSON(out, struct {
		Version       string           `json:"version"`
		Catalogue     string           `json:"catalogue"`
		Configuration []keyJSON        `json:"configuration"`
		Connections   []connectionJSON `json:"connections"`
		Works         bool             `json:"works"`
	}{version, cat.Version, settings, connections, fault == nil}))
}

// runProbe asks the worker on this machine whether it is ready: the health check of a container without a shell.
func runProbe(f *flag.FlagSet) action {
	file := configFlag(f)
	return func(ctx context.Context, s surroundings, _ []string) error {
		cfg, _, err := configured(s, *file)
		if err != nil {
			return err
		}
		ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
		defer cancel()
		request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+strings.TrimPrefix(cfg.HTTPAddr, "0.0.0.0")+"/readyz", nil)
		if err != nil {
			return usageError{errors.New("http.addr: not an address")}
		}
		answer, err := http.DefaultClient.Do(request)
		if err != nil {
			return fmt.Errorf("the worker does not answer at http.addr (%s)", cfg.HTTPAddr)
		}
		defer answer.Body.Close()
		if answer.StatusCode != http.StatusOK {
			return fmt.Errorf("the worker is not ready (status %d)", answer.StatusCode)
		}
		fmt.Fprintln(s.out, "ready")
		return nil
	}
}
