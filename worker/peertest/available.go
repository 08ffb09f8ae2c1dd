package peertest

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
)

// required tells whether a missing part of the interop tests is a failure: PUPILRISK_REQUIRE is a list with commas.
func required() bool {
	return slices.Contains(strings.Split(os.Getenv("PUPILRISK_REQUIRE"), ","), "interop")
}

// requireEnabled skips the test where nobody asked for the interop tests.
func requireEnabled(t testing.TB) {
	t.Helper()
	if asked := os.Getenv("PUPILRISK_INTEROP"); !required() && (asked == "" || asked == "0") {
		t.Skipf("interop tests are off; PUPILRISK_INTEROP=1 switches them on (they need Node 20 with npm)")
	}
}

// skipOrFail ends a test for want of something that the machine lacks.
func skipOrFail(t testing.TB, format string, args ...any) {
	t.Helper()
	if required() {
		t.Fatalf("PUPILRISK_REQUIRE asks for the interop tests, but "+format, args...)
	}
	t.Skipf("interop tests cannot run here: "+format, args...)
}

// installs holds the outcome of install by folder, so that a run without a network waits for npm only once.
var installs sync.Map

// program prepares the Node program in testdata/interop/<name> and returns the path of node and of its folder. It ends the
// test where that cannot be had.
func program(t testing.TB, name string) (node, dir string) {
	t.Helper()
	requireEnabled(t)
	node, err := exec.LookPath("node")
	if err != nil {
		skipOrFail(t, "node is not installed (version 20.19 or newer)")
	}
	root, err := moduleRoot()
	if err != nil {
		t.Fatalf("find testdata/interop: %v", err)
	}
	dir = filepath.Join(root, "testdata", "interop", name)
	once, _ := installs.LoadOrStore(dir, sync.OnceValue(func() error { return install(context.Background(), dir) }))
	if err := once.(func() error)(); err != nil {
		skipOrFail(t, "the npm packages of %s are not installed: %v", name, err)
	}
	return node, dir
}

// moduleRoot looks upwards from the working directory, which for a test is its package's folder.
func moduleRoot() (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for {
		_, err := os.Stat(filepath.Join(dir, "go.mod"))
		if err == nil {
			return dir, nil
		}
		parent := filepath.Dir(dir)
		if !errors.Is(err, fs.ErrNotExist) || parent == dir {
			return "", errors.New("no go.mod above the working directory")
		}
		dir = parent
	}
}
