package main

import (
	"context"
	"fmt"
)

// runKeys prints what the FHIR server must know of us before fhir.client_id is worth anything.
func runKeys(_ context.Context, s surroundings, args []string) error {
	f := flags(s, "keys")
	file := f.String("config", "", "configuration file (YAML)")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() > 0 {
		return usageError{fmt.Errorf("keys takes no argument %q", f.Arg(0))}
	}
	cfg, _, err := configured(s, *file)
	if err != nil {
		return err
	}
	keys, err := cfg.ClientKeys()
	if err != nil {
		return err
	}
	public, err := keys.Public()
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(s.out, string(public))
	return err
}
