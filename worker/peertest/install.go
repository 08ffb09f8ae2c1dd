package peertest

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"github.com/go-json-experiment/json"
)

// installTimeout bounds one npm ci; it takes about two seconds, or a minute of npm's own retries without a network.
const installTimeout = 3 * time.Minute

// install brings node_modules of a folder in line with its package-lock.json. Test binaries of several packages run at
// once, so the lock file is locked meanwhile.
func install(ctx context.Context, dir string) error {
	lockFile := filepath.Join(dir, "package-lock.json")
	unlock, err := lock(lockFile)
	if err != nil {
		return fmt.Errorf("lock %s: %w", filepath.Base(lockFile), err)
	}
	defer unlock()

	want, err := lockedVersions(lockFile)
	if err != nil {
		return err
	}
	if installed(dir, want) {
		return nil
	}
	npm, err := exec.LookPath("npm")
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, installTimeout)
	defer cancel()
	cmd := exec.CommandContext(ctx, npm, "ci", "--no-audit", "--no-fund", "--ignore-scripts", "--fetch-retries=1")
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("npm ci: %w\n%s", err, out)
	}
	return nil
}

// installed compares with the list that npm leaves in node_modules as its last step.
func installed(dir string, want map[string]string) bool {
	have, err := lockedVersions(filepath.Join(dir, "node_modules", ".package-lock.json"))
	if err != nil {
		return false
	}
	for path, version := range want {
		if have[path] != version {
			return false
		}
	}
	return true
}

// lockedVersions reads the version of each package, by its path, from an npm lock file.
func lockedVersions(file string) (map[string]string, error) {
	raw, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	var lock struct {
		Packages map[string]struct {
			Version string `json:"version"`
		} `json:"packages"`
	}
	if err := json.Unmarshal(raw, &lock); err != nil {
		return nil, fmt.Errorf("%s: %w", filepath.Base(file), err)
	}
	versions := make(map[string]string, len(lock.Packages))
	for path, p := range lock.Packages {
		if path != "" { // the empty path is the project itself
			versions[path] = p.Version
		}
	}
	return versions, nil
}
