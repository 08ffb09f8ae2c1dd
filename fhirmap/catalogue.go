package fhirmap

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"pupilrisk/rules"
)

// LoadCatalogue reads a catalogue from its files: layers[0] is the built-in one, each later one the overlay of a site. An
// overlay holds only what it changes: a factor, code set, action, question or word of the same id takes the place of the
// earlier one, a factor with "off: true" is switched off, and local-codes.yaml adds a site's own codes to code sets.
//
// The version is that of the file VERSION; each overlay adds a plus sign and eight hexadecimal digits of its content.
//
// Every fault is one line "file:line: reason"; all of them are joined in the error.
func LoadCatalogue(layers ...fs.FS) (*rules.Catalogue, error) {
	var (
		parts []*rules.Layer
		errs  []error
	)
	for i, files := range layers {
		l, err := readLayer(files, i == 0)
		if err != nil {
			errs = append(errs, err)
		}
		parts = append(parts, l)
	}
	// The whole cannot be judged while a part of it could not be read.
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return rules.NewCatalogue(parts...)
}

// folders are the folders of a catalogue, "." for its own.
var folders = []string{".", "factors", "codes"}

func readLayer(files fs.FS, builtIn bool) (*rules.Layer, error) {
	l := &rules.Layer{}
	content := sha256.New()
	var errs []error
	for _, folder := range folders {
		entries, err := fs.ReadDir(files, folder)
		if err != nil && (folder == "." || !errors.Is(err, fs.ErrNotExist)) {
			errs = append(errs, fmt.Errorf("%s:1: cannot be read: %w", folder, err))
			continue
		}
		for _, e := range entries {
			name := path.Join(folder, e.Name())
			if notCatalogue(name) || slices.Contains(folders, name) {
				continue
			}
			// A mounted folder may hold links, which reading follows.
			data, err := fs.ReadFile(files, name)
			if err != nil {
				errs = append(errs, fmt.Errorf("%s:1: cannot be read: %w", name, err))
				continue
			}
			fmt.Fprintf(content, "%s %d\n", name, len(data))
			content.Write(data)
			if err := addFile(l, name, data); err != nil {
				errs = append(errs, err)
			}
		}
	}
	if !builtIn {
		l.Version = hex.EncodeToString(content.Sum(nil)[:4])
	}
	return l, errors.Join(errs...)
}

// notCatalogue reports a file that lies in a catalogue's folder without being part of it.
func notCatalogue(name string) bool {
	base := path.Base(name)
	return strings.HasPrefix(base, ".") || path.Ext(base) == ".go" || path.Ext(base) == ".md"
}

func addFile(l *rules.Layer, name string, data []byte) error {
	switch {
	case name == "VERSION":
		l.Version = strings.TrimSpace(string(data))
		return nil
	case path.Dir(name) == "codes" && path.Ext(name) == ".json":
		s, err := ParseValueSet(name, data)
		if err != nil {
			return err
		}
		l.CodeSets = append(l.CodeSets, s)
		return nil
	}
	return l.AddYAML(name, data)
}
