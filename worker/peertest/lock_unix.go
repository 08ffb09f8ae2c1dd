//go:build unix

package peertest

import (
	"os"
	"syscall"
)

// lock holds a file against other processes until the returned function is called.
func lock(file string) (unlock func(), err error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX); err != nil {
		_ = f.Close()
		return nil, err
	}
	return func() { _ = f.Close() }, nil
}
