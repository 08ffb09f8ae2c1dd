package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"
)

// action does a command's work, with what stands behind the flags.
type action func(ctx context.Context, s surroundings, args []string) error

// command is one sub-command. What help, completion and README say of it comes from here and from its flags.
type command struct {
	name    string
	forms   []string // what is written behind the name, flags aside, in each way to call it; a word in small letters is a verb
	does    string   // one line
	about   string   // two to five sentences for whoever runs it
	fails   string   // what exit code 1 means
	uses    []string // the files and the environment it reads and writes
	example string   // behind the program's name
	set     func(f *flag.FlagSet) action
}

// What several commands use.
const (
	usesConfig = "the configuration file (--config, PUPILRISK_CONFIG) and PUPILRISK_... over it; the secrets and the catalogue.dir that it names"
	usesFHIR   = "the FHIR server at fhir.url"
	usesStream = "the stream: nats.url, or the running worker's at nats.listen with the token in nats.store_dir"
	usesWidth  = "COLUMNS for the width of text; NO_COLOR and TERM=dumb for none of the emphasis that a terminal gets"
)

var commands []command

func init() {
	commands = []command{
		{
			name: "demo", forms: []string{""}, does: "an invented clinic from event to operating list, with no set-up",
			about: "Starts a NATS server and a FHIR server of its own on free loopback ports, books two dozen invented patients and publishes the " +
				"events. When all are handled it prints the operating list as it stands in that FHIR server, and ends. Nothing is kept, and nothing of " +
				"yours is touched. With --format json it prints the assessments, one a line.",
			fails: "the demo did not finish within a minute", uses: []string{usesWidth}, example: "demo --format json", set: runDemo,
		},
		{
			name: "serve", forms: []string{""}, does: "the unattended worker; --check prints the configuration and tries each connection",
			about: "Waits for booking events, reads the patient's record from the FHIR server, works out the risk of each booked eye and, in mode live, " +
				"writes Flags and Tasks. It runs until SIGTERM or Ctrl-C, finishes what is in flight and ends with exit code 0. SIGHUP reads configuration and " +
				"catalogue anew. With --check it starts nothing: it prints each setting with its place, secrets masked, and what each connection says.",
			fails:   "it could not start or had to give up; with --check, not every connection works",
			uses:    []string{usesConfig, usesFHIR, "nats.store_dir for the embedded stream, and the ports of nats.listen, http.addr and intake"},
			example: "serve --check --config pupilrisk.yaml", set: runServe,
		},
		{
			name: "assess", forms: []string{"FILE..."}, does: "assess FHIR Bundles or NDJSON from disk (- = standard input)",
			about: "Assesses each lens operation in the files without any server: what a booked Appointment says, else a Procedure or ServiceRequest, else both " +
				"eyes. Nothing is written anywhere but to standard output. Give --at to ask what would have been said at another time.",
			fails:   "a file cannot be read, is no FHIR, is nested too deep, or holds a Bundle of more than 1 GiB",
			uses:    []string{"the FILEs; PUPILRISK_CONFIG and PUPILRISK_... as far as they concern assessment", usesWidth},
			example: "assess --at 2026-11-25T08:00:00Z --format json -", set: runAssess,
		},
		{
			name: "list", forms: []string{""}, does: "the operating list with the flags and tasks that stand now",
			about: "Prints the booked operations, day by day, each with the Flags and Tasks that stand in the FHIR server now, those that a person closed " +
				"included. It reads and writes nothing else. An operation without a flag is not cleared: it only has none. Bookings that only HL7 v2 knows come from " +
				"the worker's stream; where that cannot be reached the list says so.",
			fails: "the FHIR server could not be read", uses: []string{usesConfig, usesFHIR, usesStream, usesWidth}, example: "list --days 2 --format json", set: runList,
		},
		{
			name: "report", forms: []string{""}, does: "what shadow mode found, by day and factor; open questions, drugs and bookings that nothing recognised",
			about: "Counts what the worker found in shadow mode, for the decision to go live: operations by day and by factor, open questions, what would be " +
				"asked of the team. It names the drugs and the bookings that no rule recognised, so that the site's own codes can be added.",
			fails: "the stream cannot be reached, or shadow mode never ran on it", uses: []string{usesConfig, usesStream, usesWidth},
			example: "report --from 2026-11-01", set: runReport,
		},
		{
			name: "catalogue", forms: []string{"check [DIR]", "list", "codes FACTOR"}, does: "validate and print the clinical catalogue",
			about: "check loads the built-in catalogue, with DIR laid over it, works its examples, and names each fault with file, line and reason. list prints each " +
				"factor with its level, grade, figures and sources, for the surgeon and the pharmacist who approve it. codes prints the codes and words by which " +
				"one factor is recognised.",
			fails: "the catalogue has faults", uses: []string{"DIR, or PUPILRISK_CATALOGUE_DIR"}, example: "catalogue codes tamsulosin --format json", set: runCatalogue,
		},
		{
			name: "deadletter", forms: []string{"list", "show N...", "replay N...", "discard N..."}, does: "events that could not be handled",
			about: "An event that nobody can read is put aside with the reason, and nothing is lost. list prints what is put aside, without anything about a " +
				"patient; show prints one with its content, which may name one. replay sends it through again, once the reason is gone; discard removes it for good.",
			fails: "the stream cannot be reached, or holds no dead letter of that number", uses: []string{usesConfig, usesStream},
			example: "deadletter list --limit 10", set: runDeadLetter,
		},
		{
			name: "withdraw", forms: []string{""}, does: "end own flags and open tasks that nobody has touched: the way back",
			about: "Takes back what the worker wrote, after a wrong catalogue or a go-live that came too early: its active Flags and open Tasks are ended with a " +
				"reason, patient by patient. What a person changed stands. Set mode: shadow or correct the catalogue first, or the worker brings back what it " +
				"still finds. Try it with --dry-run; interrupted, run it again and it goes on.",
			fails: "it did not come to its end; run it again", uses: []string{usesConfig, usesFHIR},
			example: "withdraw --dry-run --factor tamsulosin", set: runWithdraw,
		},
		{
			name: "subscribe", forms: []string{"--endpoint URL"}, does: "create or renew the FHIR server's subscriptions to our rest-hook",
			about: "Asks the FHIR server to send changed bookings to the worker's rest-hook. Run it from a timer as often as you like: what is well is left as it " +
				"is, what ends soon is renewed. It prints the references of the subscriptions that stand.",
			fails: "the FHIR server offers no subscriptions, or refused one", uses: []string{usesConfig, usesFHIR, "intake.webhook.secret_file"},
			example: "subscribe --endpoint https://worker.clinic.example:8443", set: runSubscribe,
		},
		{
			name: "keys", forms: []string{""}, does: "the public keys of fhir.key_file as a JWKS, to register with the FHIR server",
			about: "Prints the public half of the keys with which the worker proves who it is (SMART Backend Services). Register it with the FHIR server, which " +
				"gives you a client id for it. No private part is ever printed.",
			fails: "the keys could not be printed", uses: []string{usesConfig, "fhir.key_file"}, example: "keys --config pupilrisk.yaml", set: runKeys,
		},
		{
			name: "probe", forms: []string{""}, does: "exit 0 if the worker on this machine is ready",
			about: "Asks /readyz of the worker at http.addr, for the health check of a container without a shell. It waits five seconds at most.",
			fails: "the worker does not answer or is not ready", uses: []string{usesConfig, "http.addr"}, example: "probe", set: runProbe,
		},
		{
			name: "completion", forms: []string{"bash", "zsh", "fish"}, does: "a script that completes commands, flags and values in a shell",
			about: "Prints the script for one shell. For bash: source <(pupilrisk completion bash) in ~/.bashrc. For zsh: the same in ~/.zshrc, below compinit. For " +
				"fish: pupilrisk completion fish > ~/.config/fish/completions/pupilrisk.fish.",
			fails: "it could not be printed", uses: []string{"nothing"}, example: "completion bash", set: runCompletion,
		},
		{
			name: "version", forms: []string{""}, does: "versions of program and catalogue",
			about: "Prints the version of this program and of the clinical catalogue that is built into it. Both stand in every Flag's Provenance.",
			fails: "the built-in catalogue cannot be loaded", uses: []string{"nothing"}, example: "version --format json", set: runVersion,
		},
	}
}

// find is the command of that name.
func find(name string) (command, bool) {
	i := slices.IndexFunc(commands, func(c command) bool { return c.name == name })
	if i < 0 {
		return command{}, false
	}
	return commands[i], true
}

// verbs are the words one of which has to follow the name; most commands have none.
func (c command) verbs() (out []string) {
	for _, form := range c.forms {
		if word, _, _ := strings.Cut(form, " "); word != "" && strings.Trim(word, "abcdefghijklmnopqrstuvwxyz") == "" {
			out = append(out, word)
		}
	}
	return out
}

// flagSet is the command's flags, and what runs with them.
func (c command) flagSet() (*flag.FlagSet, action) {
	f := flag.NewFlagSet(c.name, flag.ContinueOnError)
	f.SetOutput(io.Discard) // run says what is wrong, in one line
	return f, c.set(f)
}

// eachFlag gives each flag with what its value is called, "" for a switch.
func (c command) eachFlag(do func(f *flag.Flag, value, usage string)) {
	set, _ := c.flagSet()
	set.VisitAll(func(f *flag.Flag) {
		value, usage := flag.UnquoteUsage(f)
		if w, ok := f.Value.(*word); ok {
			value = strings.Join(w.of, "|")
		}
		do(f, value, usage)
	})
}

// word is the value of a flag that takes one of a list.
type word struct {
	value string
	of    []string
}

func (w *word) String() string     { return w.value }
func (w *word) Set(v string) error { w.value = v; return nil } // run checks it, and says what it may be

// formats defines --format; the first is the default.
func formats(f *flag.FlagSet, usage string, of ...string) *word {
	w := &word{of[0], of}
	f.Var(w, "format", usage)
	return w
}

// configFlag defines --config.
func configFlag(f *flag.FlagSet) *string {
	return f.String("config", "", "configuration `FILE` (YAML); PUPILRISK_CONFIG names it too")
}

// verbOf splits the verb from what it is about; "" where there is none.
func verbOf(args []string) (verb string, rest []string) {
	if len(args) == 0 {
		return "", nil
	}
	return args[0], args[1:]
}

// parse reads flags, which may stand before, between and behind what else is written (behind -- nothing is a flag), and gives the rest.
func parse(f *flag.FlagSet, args []string) (rest []string, err error) {
	for {
		if err := f.Parse(args); err != nil {
			return nil, err
		}
		n := len(args) - f.NArg()
		if f.NArg() == 0 || n > 0 && args[n-1] == "--" {
			break
		}
		rest, args = append(rest, f.Arg(0)), f.Args()[1:]
	}
	f.VisitAll(func(x *flag.Flag) {
		if w, ok := x.Value.(*word); ok && !slices.Contains(w.of, w.value) {
			err = fmt.Errorf("--%s: %q is none of %s", x.Name, w.value, strings.Join(w.of, ", "))
		}
	})
	return append(rest, f.Args()...), err
}
