package main

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write the golden files anew")

// Every command says what it is for, and testdata/help.txt is what they say.
func TestHelp(t *testing.T) {
	code, all, _ := call(t, t.Context(), "", nil, "help")
	require.Equal(t, exitDone, code)
	sentence := regexp.MustCompile(`[.!?] |\.$`)
	for _, c := range commands {
		code, out, err := call(t, t.Context(), "", nil, c.name, "--help")
		require.Equal(t, exitDone, code)
		require.Empty(t, err)
		_, again, _ := call(t, t.Context(), "", nil, "help", c.name)
		require.Equal(t, out, again)
		require.Contains(t, all, "pupilrisk "+c.name)
		all += "\n----\n" + out
		require.NotContains(t, out, "string", "%s: a value is called by what it is", c.name)
		n := len(sentence.FindAllString(c.about, -1))
		require.True(t, n >= 2 && n <= 6, "%s: %d sentences", c.name, n)
		for _, line := range strings.Split(out, "\n") {
			require.LessOrEqual(t, len(line), helpWidth, line)
		}
	}
	file := filepath.Join("testdata", "help.txt")
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(all), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), all, "go test -update writes it anew")
}

// Each example is a call that its command takes; those that need nothing but the program are made.
func TestExamplesWork(t *testing.T) {
	for _, c := range commands {
		t.Run(c.name, func(t *testing.T) {
			args := strings.Fields(c.example)
			require.Equal(t, c.name, args[0])
			f, _ := c.flagSet()
			_, err := parse(f, args[1:])
			require.NoError(t, err)
			switch c.name {
			case "demo", "assess", "catalogue", "completion", "version":
				code, out, err := call(t, t.Context(), assessed, nil, args...)
				require.Equal(t, exitDone, code, err)
				require.NotEmpty(t, out)
			}
		})
	}
}

func TestFlagsStandAnywhere(t *testing.T) {
	for name, c := range map[string]struct {
		args, rest []string
		format     string
		fault      string
	}{
		"before":        {args: []string{"--format", "json", "a", "b"}, rest: []string{"a", "b"}, format: "json"},
		"between":       {args: []string{"a", "--format=json", "b"}, rest: []string{"a", "b"}, format: "json"},
		"behind":        {args: []string{"a", "b", "-format", "json"}, rest: []string{"a", "b"}, format: "json"},
		"none":          {args: []string{"a", "-"}, rest: []string{"a", "-"}, format: "text"},
		"behind --":     {args: []string{"a", "--", "--format", "json"}, rest: []string{"a", "--format", "json"}, format: "text"},
		"no such value": {args: []string{"a", "--format", "xml"}, fault: `--format: "xml" is none of text, json`},
		"no such flag":  {args: []string{"a", "--form", "json"}, fault: "not defined: -form"},
		"no value":      {args: []string{"a", "--format"}, fault: "needs an argument"},
	} {
		t.Run(name, func(t *testing.T) {
			f := flag.NewFlagSet("x", flag.ContinueOnError)
			f.SetOutput(new(bytes.Buffer))
			format := formats(f, "", "text", "json")
			rest, err := parse(f, c.args)
			if c.fault != "" {
				require.ErrorContains(t, err, c.fault)
				return
			}
			require.NoError(t, err)
			require.Equal(t, c.rest, rest)
			require.Equal(t, c.format, format.value)
		})
	}
}
