package main

import (
	"context"
	"errors"
	"fmt"
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

func runServe(ctx context.Context, s surroundings, args []string) error {
	f := flags(s, "serve")
	file := f.String("config", "", "configuration file (YAML); PUPILRISK_CONFIG names it too")
	check := f.Bool("check", false, "print the effective configuration, try each connection, and end")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() > 0 {
		return usageError{fmt.Errorf("serve takes no argument %q", f.Arg(0))}
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

// runProbe asks the worker on this machine whether it is ready: the health check of a container without a shell.
func runProbe(ctx context.Context, s surroundings, args []string) error {
	f := flags(s, "probe")
	file := f.String("config", "", "configuration file (YAML)")
	if err := parse(f, args); err != nil {
		return err
	}
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
