package worker

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"strings"
	"time"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/stream"
)

// checkTimeout bounds each connection that Check tries.
const checkTimeout = 15 * time.Second

// OpenStream connects a command to the stream that a running worker uses: the clinic's NATS server, or the one embedded in
// the worker on this machine, whose address and token the configuration names. It creates nothing.
func OpenStream(ctx context.Context, cfg Config) (*stream.Stream, error) {
	c := streamConfig(cfg, slog.New(slog.DiscardHandler))
	manage := false
	c.Manage = &manage
	if cfg.NATSURL == "" {
		c.URL = "nats://" + cfg.NATSListen
		c.StoreDir, c.StoreKeyFile, c.Listen = "", "", ""
		c.CertFile, c.KeyFile = "", ""
		c.TokenFile = cfg.inEffect().NATSTokenFile
	}
	s, err := stream.Open(ctx, c)
	if errors.Is(err, fs.ErrNotExist) && cfg.NATSURL == "" {
		return nil, fmt.Errorf("no worker has run with nats.store_dir %s: is it started, and is --config the one it uses?", cfg.NATSStoreDir)
	}
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, checkTimeout)
	defer cancel()
	for s.Ready() != nil {
		select {
		case <-ctx.Done():
			return nil, errors.Join(fmt.Errorf("stream: %w", s.Ready()), s.Close(context.WithoutCancel(ctx)))
		case <-time.After(50 * time.Millisecond):
		}
	}
	return s, nil
}

// Check tries each connection that the configuration names and says of each what it found, as it goes. The error is that not every
// one works.
func Check(ctx context.Context, say func(what, text string), cfg Config, version string) error {
	ok := checkFHIR(ctx, say, cfg, version)
	switch s, err := OpenStream(ctx, cfg); {
	case err == nil:
		say("stream", "connected, streams and consumers are there")
		if err := s.Close(ctx); err != nil {
			say("stream", "not closed well: "+err.Error())
		}
	case cfg.NATSURL == "":
		say("stream", "embedded; no worker is running at "+cfg.NATSListen+" yet, it is made at the first start")
		ok = checkDoors(say, cfg) && ok
	default:
		ok = false
		say("stream", err.Error())
	}
	if !ok {
		return errors.New("not every connection works")
	}
	return nil
}

// checkDoors tries, where no worker runs on this machine, whether the addresses that one would listen on can be had.
func checkDoors(say func(what, text string), cfg Config) bool {
	ok := true
	for _, door := range []struct{ key, addr string }{
		{"nats.listen", cfg.NATSListen}, {"http.addr", cfg.HTTPAddr}, {"intake.mllp.addr", cfg.MLLPAddr}, {"intake.webhook.addr", cfg.WebhookAddr},
	} {
		if door.addr == "" {
			continue
		}
		l, err := net.Listen("tcp", door.addr)
		if err != nil {
			say(door.key, "cannot listen: "+listenText(err))
			ok = false
			continue
		}
		_ = l.Close() // it was only tried
	}
	return ok
}

func checkFHIR(ctx context.Context, say func(what, text string), cfg Config, version string) bool {
	ctx, cancel := context.WithTimeout(ctx, checkTimeout)
	defer cancel()
	if left := cfg.scopesLeftOut(); len(left) > 0 {
		say("fhir.scope", "does not ask for "+strings.Join(left, " "))
	}
	client, err := OpenFHIR(cfg, version, slog.New(slog.DiscardHandler), nil)
	if err != nil {
		say("fhir", err.Error())
		return false
	}
	defer client.Close()
	c, err := client.Capability(ctx)
	if err != nil {
		say("fhir", err.Error())
		return false
	}
	say("fhir", fmt.Sprintf("FHIR %s, batch %t, transaction %t, update as create %t", c.FHIRVersion, c.Batch, c.Transaction, clientIDs(c)))
	for _, t := range append([]string{"Patient", "Appointment"}, append(historyTypes, "Flag", "Task", "Provenance")...) {
		if len(c.Types) > 0 && c.Types[t].SearchParams == nil && !offered(c, t) && t != "Patient" && t != "Provenance" {
			say("fhir "+t, "not offered")
		}
	}
	now := time.Now()
	o := fhirmap.Options{Zone: cfg.Zone(), Bases: append([]string{cfg.FHIRURL}, cfg.FHIRAliases...)}
	appointments, dropped, err := Appointments(ctx, client, o, now.Add(-sweepBack), now.Add(cfg.SweepHorizon))
	if err != nil {
		say("fhir bookings", err.Error())
		return false
	}
	say("fhir bookings", fmt.Sprintf("%d appointments in the horizon, read to the last page, %d of them unreadable", len(appointments)+len(dropped), len(dropped)))
	return true
}
