package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// completes are lines as typed up to the tab, and what is offered: among it, or (with only) nothing else.
var completes = map[string]struct {
	line    string
	offered []string
	only    bool
}{
	"commands":      {"pupilrisk ", []string{"assess", "serve", "version", "withdraw"}, false},
	"one command":   {"pupilrisk wi", []string{"withdraw"}, true},
	"verbs":         {"pupilrisk deadletter ", []string{"discard", "list", "replay", "show"}, true},
	"one verb":      {"pupilrisk catalogue co", []string{"codes"}, true},
	"shells":        {"pupilrisk completion f", []string{"fish"}, true},
	"flags":         {"pupilrisk list --", []string{"--config", "--days", "--format", "--from", "--help"}, true},
	"flag and verb": {"pupilrisk deadletter list --li", []string{"--limit"}, true},
	"values":        {"pupilrisk assess --format ", []string{"fhir", "json", "text"}, true},
	"one value":     {"pupilrisk version --format j", []string{"json"}, true},
	"value by =":    {"pupilrisk assess --format=f", []string{"fhir"}, true},
	"behind a flag": {"pupilrisk withdraw --dry-run --fa", []string{"--factor"}, true},
	"files":         {"pupilrisk assess reco", []string{"record.json"}, true},
	"a file":        {"pupilrisk list --config reco", []string{"record.json"}, true},
	"help of":       {"pupilrisk help pro", []string{"probe"}, true},
}

func TestCompletionScripts(t *testing.T) {
	// What each shell offers for a line, one a line, asked of the shell itself.
	for shell, ask := range map[string]string{
		"bash": `source <(cat script); complete -p pupilrisk >/dev/null || exit 1
read -ra COMP_WORDS <<<"${LINE//=/ = }"; [[ $LINE == *' ' ]] && COMP_WORDS+=('')
COMP_CWORD=$((${#COMP_WORDS[@]} - 1))
_pupilrisk
((${#COMPREPLY[@]})) || COMPREPLY=($(compgen -f -- "${COMP_WORDS[COMP_CWORD]}")) # what -o default does
printf '%s\n' "${COMPREPLY[@]}"`,
		"fish": `source ./script; complete -C "$LINE" | string replace -r '\t.*' '' | string replace -r '^--.*=' ''; true`,
		"zsh": `rm -f hits; zmodload zsh/zpty
zpty z zsh -f -i
expect() { local got; while zpty -r z got; do [[ $got == *$1* ]] && return; done }
zpty -w z 'PROMPT=; autoload -Uz compinit; compinit -u -d ./dump; source ./script; LISTMAX=1000
compadd() { local -a hits; builtin compadd -O hits "$@"; print -rl -- "HIT "$^hits >>hits; builtin compadd "$@" }
complete() { zle complete-word; print DONE >>hits }; zle -N complete; bindkey "^I" complete
: >hits; zle-line-init() { print READ""Y }; zle -N zle-line-init'
expect READY
zpty -w -n z "$LINE"$'\t'
until grep -qs DONE hits; do sleep 0.02; done
sed -n 's/^HIT //p' hits | sort -u; zpty -d z`,
	} {
		t.Run(shell, func(t *testing.T) {
			program, err := exec.LookPath(shell)
			if err != nil {
				t.Skip("no " + shell + " here")
			}
			code, script, fault := call(t, t.Context(), "", nil, "completion", shell)
			require.Equal(t, exitDone, code, fault)
			dir := t.TempDir()
			require.NoError(t, os.WriteFile(filepath.Join(dir, "script"), []byte(script), 0o600))
			require.NoError(t, os.WriteFile(filepath.Join(dir, "record.json"), nil, 0o600))
			for name, c := range completes {
				t.Run(name, func(t *testing.T) {
					run := exec.CommandContext(t.Context(), program, "-c", ask)
					run.Dir = dir
					run.Env = append(os.Environ(), "LINE="+c.line, "HOME="+dir)
					out, err := run.CombinedOutput()
					require.NoError(t, err, string(out))
					offered := strings.Fields(string(out))
					if c.only {
						require.ElementsMatch(t, c.offered, offered)
					} else {
						require.Subset(t, offered, c.offered)
					}
				})
			}
		})
	}
}

func TestCompletionRefusesOtherShells(t *testing.T) {
	for _, args := range [][]string{{"completion"}, {"completion", "csh"}, {"completion", "bash", "zsh"}} {
		code, out, err := call(t, t.Context(), "", nil, args...)
		require.Equal(t, exitUsage, code)
		require.Empty(t, out)
		require.Contains(t, err, "completion takes: bash, zsh, or fish")
	}
}
