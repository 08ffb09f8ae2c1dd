package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"pupilrisk/fhirmap"
	"pupilrisk/worker"
)

// runSubscribe creates or renews the FHIR server's Subscriptions to our rest-hook. It may be run as often as one likes, from a
// timer say: what is well is left as it is.
func runSubscribe(ctx context.Context, s surroundings, args []string) error {
	f := flags(s, "subscribe")
	file := f.String("config", "", "configuration file (YAML)")
	endpoint := f.String("endpoint", "", "address at which the FHIR server reaches our rest-hook")
	topic := f.String("topic", "", "canonical address of a subscription topic about bookings; without it plain search criteria are used")
	heartbeat := f.Duration("heartbeat", 0, "how often a topic's subscription is to be heard of when nothing happens")
	if err := parse(f, args); err != nil {
		return err
	}
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
		fmt.Fprintln(s.out, ref)
	}
	return err
}
