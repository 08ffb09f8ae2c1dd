package main

import (
	"context"
	"flag"
	"fmt"
)

// runKeys prints what the FHIR server must know of us before fhir.client_id is worth anything.
func runKeys(f *flag.FlagSet) action {
	file := configFlag(f)
	return func(_ context.Context, s surroundings, args []string) error {
		if len(args) > 0 {
			return usageError{fmt.Errorf("keys takes no argument %q", args[0])}
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
}
