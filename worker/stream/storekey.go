package stream

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// leastStoreKey is the least length of a store key, in characters: 128 bits, written in hexadecimal digits.
const leastStoreKey = 32

// sealFile, in the store directory, tells the right key from a wrong one: the server itself would pass over streams that it
// cannot decrypt, and new and empty ones would take their place.
const sealFile = "sealed"

// storeKey reads the key that the embedded server's store is encrypted with, "" where it is not, and makes sure that it is the
// one the store was begun with. A store that stands unencrypted is encrypted from now on.
func storeKey(storeDir, keyFile string) (string, error) {
	seal := filepath.Join(storeDir, sealFile)
	stands, err := os.ReadFile(seal)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("nats.store_dir: %w", err)
	}
	if keyFile == "" {
		if stands != nil {
			return "", errors.New("nats.store_key_file: missing, and what is in nats.store_dir is encrypted")
		}
		return "", nil
	}
	b, err := os.ReadFile(keyFile)
	if err != nil {
		return "", fmt.Errorf("nats.store_key_file: %w", err)
	}
	key := strings.TrimSpace(string(b))
	if len(key) < leastStoreKey {
		return "", fmt.Errorf("nats.store_key_file: wants at least %d characters, from `openssl rand -hex 32` say", leastStoreKey)
	}
	mac := hmac.New(sha256.New, []byte(key))
	mac.Write([]byte("pupilrisk store"))
	want := hex.EncodeToString(mac.Sum(nil))
	if stands == nil {
		if err := os.WriteFile(seal, []byte(want), 0o600); err != nil {
			return "", fmt.Errorf("nats.store_dir: %w", err)
		}
		return key, nil
	}
	if !hmac.Equal(stands, []byte(want)) {
		return "", errors.New("nats.store_key_file: not the key that nats.store_dir is encrypted with")
	}
	return key, nil
}
