package main

import (
	"bytes"
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
		if *check && format.value == "json" {
			return writeCheck(ctx, s.out, cfg, cat)
		}
		if *check {
			for _, line := range cfg.Effective() {
				fmt.Fprintln(s.out, line)
			}
			fmt.Fprintf(s.out, "\n%-30s %s, catalogue %s\n", "version", version, cat.Version)
			return worker.Check(ctx, s.out, cfg, cat, version)
		}
		asked := make(chan os.Signal, 1)
		signal.Notify(asked, syscall.SIGHUP)
		defer signal.Stop(asked)
		return worker.Serve(ctx, cfg, cat, version, log, worker.Reload{
			Asked: asked, Level: &level,
			Load: func() (worker.Config, *rules.Catalogue, error) { return configured(s, *file) },
		})
	}
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

// writeCheck is serve --check in one object. The worker says both parts in lines of two columns.
func writeCheck(ctx context.Context, out io.Writer, cfg worker.Config, cat *rules.Catalogue) error {
	settings, connections := []keyJSON{}, []connectionJSON{}
	for _, line := range cfg.Effective() {
		key, value, _ := strings.Cut(line, " ")
		i := strings.LastIndex(value, "  [")
		place := strings.Trim(value[i:], " []")
		value = strings.TrimSuffix(strings.TrimSpace(value[:i]), " (content not shown)")
		if value == "-" { // it is not set
			value = ""
		}
		settings = append(settings, keyJSON{key, value, place})
	}
	var said bytes.Buffer
	fault := worker.Check(ctx, &said, cfg, cat, version)
	for line := range strings.Lines(said.String()) {
		what, says, two := strings.Cut(strings.TrimSpace(line), "  ")
		if !two { // goes on with what the line above says
			connections[len(connections)-1].Says += "; " + what
			continue
		}
		connections = append(connections, connectionJSON{what, strings.TrimSpace(says)})
	}
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
