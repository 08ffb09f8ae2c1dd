package worker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"sync"
	"time"

	"pupilrisk/worker/webhook"
)

// hookSubject is where what the rest-hook receives is published.
const hookSubject = "clinic.booking.webhook"

// hook makes the rest-hook's handler: what it receives goes on the stream as it came, and what names nothing asks for a sweep.
// run must run beside it.
func (w *Worker) hook() (handler http.Handler, run func(context.Context)) {
	publish := func(ctx context.Context, id string, body []byte) error {
		_, err := w.stream.Publish(ctx, hookSubject, body, id)
		return err
	}
	sweep := func(context.Context) { w.askSweep() }
	gaps := webhook.NewGaps(webhook.GapsOptions{
		Recover: func(ctx context.Context, subscription string, from, to int64) error {
			w.once.log(w.log, slog.LevelWarn, "events of a subscription did not come; they are fetched or swept for")
			err := MissedEvents(ctx, w.fhir, subscription, from, to, func(body []byte) error { return publish(ctx, "", body) })
			if err != nil {
				sweep(ctx) // it finds whatever the events were about
			}
			return nil
		},
	})
	receiver := webhook.New(webhook.Options{
		Secret:  func() ([]byte, error) { return os.ReadFile(w.cfg.WebhookSecretFile) },
		Publish: publish, Sweep: sweep, Gaps: gaps, FHIR: w.recordOptions(),
		Observe: func(outcome string) { w.metrics.webhook.WithLabelValues(outcome).Inc() },
	})
	return receiver, func(ctx context.Context) {
		var both sync.WaitGroup
		both.Go(func() { receiver.Run(ctx) })
		both.Go(func() { gaps.Run(ctx) })
		both.Wait()
	}
}

// serveHook listens for the rest-hook's requests until ctx ends and stop is called. Without an address there is none.
func (w *Worker) serveHook(ctx context.Context) (stop func() error, err error) {
	if w.cfg.WebhookAddr == "" {
		return func() error { return nil }, nil
	}
	listener, err := net.Listen("tcp", w.cfg.WebhookAddr)
	if err != nil {
		return nil, w.cfg.fault("intake.webhook.addr", "cannot listen: "+listenText(err))
	}
	handler, run := w.hook()
	server := &http.Server{Handler: handler, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 30 * time.Second, WriteTimeout: 30 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10}
	if w.cfg.WebhookCertFile != "" {
		if _, err := tls.LoadX509KeyPair(w.cfg.WebhookCertFile, w.cfg.WebhookKeyFile); err != nil {
			return nil, errors.Join(w.cfg.fault("intake.webhook.tls.cert_file", "cannot read certificate and key"), listener.Close())
		}
		server.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
			pair, err := tls.LoadX509KeyPair(w.cfg.WebhookCertFile, w.cfg.WebhookKeyFile) // read again, so that it can be renewed
			return &pair, err
		}}
		listener = tls.NewListener(listener, server.TLSConfig)
	}
	running, cancel := context.WithCancel(ctx)
	var parts sync.WaitGroup
	parts.Go(func() { run(running) })
	parts.Go(func() { server.Serve(listener) }) //nolint:errcheck // ends with Shutdown
	w.log.Info("receiving rest-hooks", "addr", listener.Addr().String(), "tls", w.cfg.WebhookCertFile != "")
	return func() error {
		closing, done := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer done()
		err := server.Shutdown(closing)
		cancel()
		parts.Wait()
		if err != nil {
			return fmt.Errorf("end the rest-hook: %w", err)
		}
		return nil
	}, nil
}

// loopbackAddr reports an address to listen at that only this machine reaches.
func loopbackAddr(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	return err == nil && loopback(host)
}
