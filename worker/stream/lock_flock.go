//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package stream

import (
	"errors"
	"fmt"
	"os"
	"syscall"
)

// lockFile takes the lock at path, which the system gives back when this process ends, however it ends.
func lockFile(path string) (unlock func() error, err error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, errLocked
		}
		return nil, fmt.Errorf("lock: %w", err)
	}
	return f.Close, nil
}
