package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"time"

	"pupilrisk/fhirmap"
	"pupilrisk/worker"
)

// runSubscribe creates or renews the FHIR server's Subscriptions to our rest-hook. It may be run as often as one likes, from a
// timer say: what is well is left as it is.
func runSubscribe(f *flag.FlagSet) action {
	file := configFlag(f)
	endpoint := f.String("endpoint", "", "`URL` at which the FHIR server reaches our rest-hook")
	topic := f.String("topic", "", "canonical `URL` of a subscription topic about bookings; without it plain search criteria are used")
	heartbeat := f.Duration("heartbeat", 0, "after how much `TIME`, such as 10m, a topic's subscription is heard of although nothing happens")
	format := formats(f, "text, or one JSON object for each subscription: reference", "text", "json")
	return func(ctx context.Context, s surroundings, _ []string) error {
		cfg, _, err := configured(s, *file)
		if err != nil {
			return err
		}
		if err := cfg.NeedFHIR(); err != nil {
			return err
		}
		if *endpoint == "" || cfg.WebhookSecretFile == "" {
			return usageError{errors.New("subscribe needs --endpoint, and intake.webhook.secret_file in the configuration")}
		}
		if cfg.FHIRScope == worker.LeastScopes { // it is what reading and writing a record needs, which is another's work
			cfg.FHIRScope = worker.SubscribeScope
		}
		client, err := worker.OpenFHIR(cfg, version, nil, nil)
		if err != nil {
			return err
		}
		defer client.Close()
		refs, err := worker.Subscribe(ctx, client, worker.SubscribeOptions{
			Endpoint: *endpoint, Topic: *topic, Heartbeat: heartbeat.Truncate(time.Second),
			Secret: func() ([]byte, error) { return os.ReadFile(cfg.WebhookSecretFile) }, Names: fhirmap.Names{Canonical: cfg.Canonical},
		})
		for _, ref := range refs {
			if format.value == "json" {
				err = errors.Join(err, writeJSON(s.out, struct {
					Reference string `json:"reference"`
				}{ref}))
				continue
			}
			fmt.Fprintln(s.out, ref)
		}
		return err
	}
}
