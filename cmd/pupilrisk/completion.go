package main

import (
	"context"
	_ "embed"
	"errors"
	"flag"
	"slices"
	"strings"
	"text/template"
)

// The scripts, to be filled with the commands.
var (
	//go:embed completion/bash.tmpl
	bashScript string
	//go:embed completion/zsh.tmpl
	zshScript string
	//go:embed completion/fish.tmpl
	fishScript string
)

// completed is what a script knows of a command; completedFlag of one of its flags.
type completed struct {
	Name, Does string
	Verbs      []string
	Flags      []completedFlag
}

type completedFlag struct {
	Name, Usage string
	Takes, File bool     // a value; the name of a file
	Values      []string // all there are, where they are few
}

// Options are the flags as they are typed.
func (c completed) Options() (out []string) {
	for _, f := range c.Flags {
		out = append(out, "--"+f.Name)
	}
	return out
}

func runCompletion(*flag.FlagSet) action {
	return func(_ context.Context, s surroundings, args []string) error {
		shell, rest := verbOf(args)
		script, ok := map[string]string{"bash": bashScript, "zsh": zshScript, "fish": fishScript}[shell]
		if !ok || len(rest) > 0 {
			return usageError{errors.New("completion takes: bash, zsh, or fish")}
		}
		quotes := template.FuncMap{
			"join":  func(words []string) string { return strings.Join(words, " ") },
			"quote": func(s string) string { return strings.ReplaceAll(s, "'", `'\''`) }, // within single quotes
		}
		all := []completed{{Name: "help", Does: "all commands, or one in full"}}
		for _, c := range commands {
			x := completed{Name: c.name, Does: c.does, Verbs: c.verbs()}
			c.eachFlag(func(f *flag.Flag, value, usage string) {
				short, _, _ := strings.Cut(usage, ";")
				short, _, _ = strings.Cut(short, ":")
				y := completedFlag{Name: f.Name, Usage: short, Takes: value != "", File: value == "FILE"}
				if w, ok := f.Value.(*word); ok {
					y.Values = w.of
				}
				x.Flags = append(x.Flags, y)
			})
			x.Flags = append(x.Flags, completedFlag{Name: "help", Usage: "all about this command"})
			all[0].Verbs = append(all[0].Verbs, c.name)
			all = append(all, x)
		}
		slices.SortFunc(all, func(x, y completed) int { return strings.Compare(x.Name, y.Name) })
		return template.Must(template.New(shell).Funcs(quotes).Parse(script)).Execute(s.out, all)
	}
}
