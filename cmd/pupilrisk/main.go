// Command pupilrisk reads a clinic's record for every booked lens operation and writes back what the surgeon has to be ready
// for: a floppy iris, a small pupil. README.md says what it does and how it is run.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
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

// command is one sub-command.
type command struct {
	name, synopsis, does string
	run                  func(ctx context.Context, s surroundings, args []string) error
}

var commands []command

func init() {
	commands = []command{
		{"demo", "[--format text|json] [--stay]", "an invented clinic from event to operating list, with no set-up", runDemo},
		{"serve", "[--config FILE] [--check]", "the unattended worker; --check prints the configuration and tries each connection", runServe},
		{"assess", "[--at TIME] [--format text|json|fhir] FILE...", "assess FHIR Bundles or NDJSON from disk (- = standard input)", runAssess},
		{"list", "[--config FILE] [--from DATE] [--days N] [--format text|json]", "the operating list with the flags and tasks that stand now", runList},
		{"report", "[--config FILE] [--from DATE] [--format text|json]", "what shadow mode found, by day and factor; open questions, drugs and bookings that nothing recognised", runReport},
		{"catalogue", "check [DIR] | list | codes FACTOR", "validate and print the clinical catalogue", runCatalogue},
		{"deadletter", "list | show N | replay N | discard N", "events that could not be handled", runDeadLetter},
		{"withdraw", "[--config FILE] [--factor F] [--catalogue V] [--since TIME] [--dry-run]", "end own flags and open tasks that nobody has touched: the way back", runWithdraw},
		{"subscribe", "--endpoint URL [--config FILE] [--topic URL] [--heartbeat TIME]", "create or renew the FHIR server's subscriptions to our rest-hook", runSubscribe},
		{"keys", "[--config FILE]", "the public keys of fhir.key_file as a JWKS, to register with the FHIR server", runKeys},
		{"probe", "[--config FILE]", "exit 0 if the worker on this machine is ready", runProbe},
		{"version", "", "versions of program and catalogue", runVersion},
	}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, os.Interrupt)
	code := run(ctx, surroundings{os.Stdin, os.Stdout, os.Stderr, os.Environ()}, os.Args[1:])
	stop()
	os.Exit(code)
}

func run(ctx context.Context, s surroundings, args []string) int {
	if len(args) == 0 || slices.Contains([]string{"help", "-h", "-help", "--help"}, args[0]) {
		usage(s.out)
		if len(args) == 0 {
			return exitUsage
		}
		return exitDone
	}
	i := slices.IndexFunc(commands, func(c command) bool { return c.name == args[0] })
	if i < 0 {
		fmt.Fprintf(s.err, "pupilrisk: no command %q; pupilrisk help lists them\n", args[0])
		return exitUsage
	}
	err := commands[i].run(ctx, s, args[1:])
	var bad usageError
	var config worker.ConfigError
	switch {
	case err == nil, errors.Is(err, flag.ErrHelp):
		return exitDone
	case errors.As(err, &bad), errors.As(err, &config):
		fmt.Fprintln(s.err, "pupilrisk: "+strings.ReplaceAll(err.Error(), "\n", "\npupilrisk: "))
		return exitUsage
	default:
		fmt.Fprintln(s.err, "pupilrisk: "+strings.ReplaceAll(err.Error(), "\n", "\npupilrisk: "))
		return exitFailed
	}
}

func usage(w io.Writer) {
	fmt.Fprint(w, "pupilrisk finds what a cataract surgeon must be ready for in the record of every booked operation.\n"+
		"Decision support only: a flag is a prompt to prepare, no flag is no clearance.\n\n")
	for _, c := range commands {
		fmt.Fprintf(w, "  pupilrisk %s\n        %s\n", strings.TrimSpace(c.name+" "+c.synopsis), c.does)
	}
	fmt.Fprint(w, "\nExit codes: 0 done, 1 failed, 2 wrong usage or configuration.\n")
}

// flags makes the flag set of a command; its faults are faults of usage.
func flags(s surroundings, name string) *flag.FlagSet {
	f := flag.NewFlagSet("pupilrisk "+name, flag.ContinueOnError)
	f.SetOutput(s.err)
	f.Usage = func() {
		i := slices.IndexFunc(commands, func(c command) bool { return c.name == name })
		fmt.Fprintf(s.err, "usage: pupilrisk %s\n%s\n", strings.TrimSpace(name+" "+commands[i].synopsis), commands[i].does)
		f.PrintDefaults()
	}
	return f
}

func parse(f *flag.FlagSet, args []string) error {
	err := f.Parse(args)
	if err == nil || errors.Is(err, flag.ErrHelp) {
		return err
	}
	return usageError{err}
}

// oneOf checks a flag that takes a word of a list.
func oneOf(name, value string, allowed ...string) error {
	if slices.Contains(allowed, value) {
		return nil
	}
	return usageError{fmt.Errorf("--%s: %q is none of %s", name, value, strings.Join(allowed, ", "))}
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

// logger writes to w as the configuration says, from level on.
func logger(w io.Writer, cfg worker.Config, level slog.Leveler) *slog.Logger {
	options := &slog.HandlerOptions{Level: level, ReplaceAttr: worker.LogAttr}
	if cfg.LogFormat == "text" {
		return slog.New(slog.NewTextHandler(w, options))
	}
	return slog.New(slog.NewJSONHandler(w, options))
}

func runVersion(_ context.Context, s surroundings, args []string) error {
	f := flags(s, "version")
	if err := parse(f, args); err != nil {
		return err
	}
	c, err := loadCatalogue("")
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "pupilrisk %s, catalogue %s\n", version, c.Version)
	return nil
}
