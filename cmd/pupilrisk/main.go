// Command pupilrisk reads a clinic's record for every booked lens operation and writes back what the surgeon has to be ready
// for: a floppy iris, a small pupil. README.md says what it does and how it is run.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
	"pupilrisk/worker"
)

// version is set by the release build.
var version = "devel"

// Exit codes: done, failed, wrong usage or configuration.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
)

// usageError is a fault of the call or the configuration, not of the work.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

// surroundings are what a command may touch.
type surroundings struct {
	in       io.Reader
	out, err io.Writer
	environ  []string
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, os.Interrupt)
	code := run(ctx, surroundings{os.Stdin, os.Stdout, os.Stderr, os.Environ()}, os.Args[1:])
	stop()
	os.Exit(code)
}

func run(ctx context.Context, s surroundings, args []string) int {
	if len(args) == 0 {
		usage(s.out)
		return exitUsage
	}
	if slices.Contains([]string{"help", "-h", "-help", "--help"}, args[0]) {
		if len(args) == 1 {
			usage(s.out)
			return exitDone
		}
		args = []string{args[1], "--help"}
	}
	c, ok := find(args[0])
	if !ok {
		fmt.Fprintf(s.err, "pupilrisk: no command %q; pupilrisk help lists them\n", args[0])
		return exitUsage
	}
	f, do := c.flagSet()
	rest, err := parse(f, args[1:])
	switch {
	case errors.Is(err, flag.ErrHelp):
		c.help(s.out)
		return exitDone
	case err != nil:
		err = usageError{err}
	default:
		err = do(ctx, s, rest)
	}
	if err == nil {
		return exitDone
	}
	fmt.Fprintln(s.err, "pupilrisk: "+strings.ReplaceAll(err.Error(), "\n", "\npupilrisk: "))
	var bad usageError
	var config worker.ConfigError
	if errors.As(err, &bad) || errors.As(err, &config) {
		return exitUsage
	}
	return exitFailed
}

// builtIn is the catalogue in the binary, or with a directory the overlay over it.
func loadCatalogue(dir string) (*rules.Catalogue, error) {
	if dir == "" {
		return fhirmap.LoadCatalogue(catalogue.FS)
	}
	c, err := fhirmap.LoadCatalogue(catalogue.FS, os.DirFS(dir))
	if err != nil {
		return nil, usageError{fmt.Errorf("catalogue.dir: %w", err)}
	}
	return c, nil
}

// configured reads configuration and catalogue for a command.
func configured(s surroundings, file string) (worker.Config, *rules.Catalogue, error) {
	if file == "" {
		for _, kv := range s.environ {
			if v, ok := strings.CutPrefix(kv, "PUPILRISK_CONFIG="); ok {
				file = v
			}
		}
	}
	cfg, err := worker.LoadConfig(file, s.environ)
	if err != nil {
		return cfg, nil, err
	}
	cat, err := loadCatalogue(cfg.CatalogueDir)
	return cfg, cat, err
}

// collectAt sets when garbage is collected, unless whoever runs the program has.
func collectAt(s surroundings, percent int) {
	if !slices.ContainsFunc(s.environ, func(kv string) bool { return strings.HasPrefix(kv, "GOGC=") }) {
		debug.SetGCPercent(percent)
	}
}

// logger writes to w as the configuration says, from level on.
func logger(w io.Writer, cfg worker.Config, level slog.Leveler) *slog.Logger {
	options := &slog.HandlerOptions{Level: level, ReplaceAttr: worker.LogAttr}
	if cfg.LogFormat == "text" {
		return slog.New(slog.NewTextHandler(w, options))
	}
	return slog.New(slog.NewJSONHandler(w, options))
}

func runVersion(f *flag.FlagSet) action {
	format := formats(f, "text, or one JSON object: version, catalogue", "text", "json")
	return func(_ context.Context, s surroundings, _ []string) error {
		c, err := loadCatalogue("")
		if err != nil {
			return err
		}
		if format.value == "json" {
			return writeJSON(s.out, struct {
				Version   string `json:"version"`
				Catalogue string `json:"catalogue"`
			}{version, c.Version})
		}
		fmt.Fprintf(s.out, "pupilrisk %s, catalogue %s\n", version, c.Version)
		return nil
	}
}

// writeJSON writes v on one line.
func writeJSON(w io.Writer, v any) error {
	encoder := json.NewEncoder(w)
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(v); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	return nil
}
