//go:build !(darwin || dragonfly || freebsd || linux || netbsd || openbsd)

package stream

import (
	"errors"
	"io/fs"
	"os"
)

// lockFile takes the lock at path by making the file. After a crash it has to be removed by hand: this system has no
// lock that ends with the process.
func lockFile(path string) (unlock func() error, err error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return nil, errLocked
	}
	if err != nil {
		return nil, err
	}
	return func() error { return errors.Join(f.Close(), os.Remove(path)) }, nil
}
