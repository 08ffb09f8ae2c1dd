package worker

import (
	"bytes"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestKeyThatNobodyAllowedLosesItsValue(t *testing.T) {
	var out bytes.Buffer
	options := &slog.HandlerOptions{ReplaceAttr: LogAttr}
	log := slog.New(slog.NewMultiHandler(slog.NewJSONHandler(&out, options), slog.NewTextHandler(&out, options)))
	log.With("name", "zmark").Warn("event", "source", "booking", "family", "zmark", slog.Group("of", "url", "zmark"), "error", errors.New("fhir read: gone"))
	require.NotContains(t, out.String(), "zmark")
	for _, want := range []string{"booking", "fhir read: gone", "withheld", "event"} {
		require.Contains(t, out.String(), want)
	}
}

// first is where the keys begin in the arguments of what writes a log line.
var first = map[string]int{"With": 0, "Debug": 1, "Info": 1, "Warn": 1, "Error": 1, "Log": 3, "log": 3, "note": 2}

// Each key in the program is on the list, and each on the list is in the program. A message is a constant, or ends in one of our words.
func TestEveryLogKeyIsAllowed(t *testing.T) {
	used := map[string]string{slog.TimeKey: "", slog.LevelKey: "", slog.MessageKey: ""}
	files := token.NewFileSet()
	for _, root := range []string{".", "../cmd"} {
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			source, err := os.ReadFile(path)
			require.NoError(t, err)
			file, err := parser.ParseFile(files, path, source, 0)
			require.NoError(t, err)
			ast.Inspect(file, func(n ast.Node) bool {
				call, ok := n.(*ast.CallExpr)
				if !ok {
					return true
				}
				f, ok := call.Fun.(*ast.SelectorExpr)
				if !ok {
					return true
				}
				at, ok := first[f.Sel.Name]
				receiver := string(source[files.Position(f.X.Pos()).Offset:files.Position(f.X.End()).Offset])
				if !ok || !logs(receiver, f.Sel.Name) {
					return true
				}
				for i := at; i < len(call.Args); i += 2 {
					if call.Ellipsis.IsValid() && i == len(call.Args)-1 {
						break // handed on: they were looked at where they are written
					}
					key, ok := call.Args[i].(*ast.BasicLit)
					require.True(t, ok, "%s: a log key is a constant", files.Position(call.Args[i].Pos()))
					text, err := strconv.Unquote(key.Value)
					require.NoError(t, err)
					used[text] = files.Position(key.Pos()).String()
				}
				return true
			})
			return nil
		})
		require.NoError(t, err)
	}
	for key, place := range used {
		require.Contains(t, logKeys, key, "%s: see that it can hold nothing about a patient, and add it to logKeys", place)
	}
	for _, key := range logKeys {
		require.Contains(t, used, key, "nothing logs it any more")
	}
	require.True(t, slices.IsSorted(logKeys[3:]))
}

// logs tells what writes a log line from what else has a method of that name.
func logs(receiver, method string) bool {
	receiver = receiver[strings.LastIndexByte(receiver, '.')+1:]
	switch method {
	case "log":
		return receiver == "once"
	case "note":
		return receiver == "s"
	default:
		return strings.EqualFold(receiver, "log") || receiver == "l"
	}
}
