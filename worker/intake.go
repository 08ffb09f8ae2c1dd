package worker

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"os"
	"sync"
	"time"

	"github.com/google/uuid"

	"pupilrisk/worker/hl7v2"
	"pupilrisk/worker/mllp"
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
	gaps := webhook.NewGaps(webhook.GapsOptions{
		Recover: func(ctx context.Context, subscription string, from, to int64) error {
			w.once.log(w.log, slog.LevelWarn, "events of a subscription did not come; they are fetched or swept for")
			err := MissedEvents(ctx, w.fhir, subscription, from, to, func(body []byte) error { return publish(ctx, "", body) })
			if err != nil {
				w.askSweep(ctx) // it finds whatever the events were about
			}
			return nil
		},
	})
	receiver := webhook.New(webhook.Options{
		Secret:  func() ([]byte, error) { return os.ReadFile(w.cfg.WebhookSecretFile) },
		Publish: publish, Sweep: w.askSweep, Gaps: gaps, FHIR: w.recordOptions(),
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
	server := &http.Server{Handler: handler, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 30 * time.Second, WriteTimeout: 30 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10, ErrorLog: doorLog(w.log, "webhook")}
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

// v2Subject is where HL7 v2 messages are published, as they came.
const v2Subject = "clinic.booking.hl7v2"

// answerV2 puts one message on the stream and says so to the sender: accepted only once the stream has confirmed it. Whether it
// can be read is found out by the worker, so that what it cannot read is a dead letter and not lost.
func (w *Worker) answerV2(ctx context.Context, message []byte) []byte {
	reply := func(h hl7v2.Header, o hl7v2.Outcome, fault *hl7v2.Fault) []byte {
		w.metrics.v2.WithLabelValues([...]string{"accepted", "failed", "rejected"}[o]).Inc()
		return hl7v2.Acknowledge(h, o, fault, uuid.NewString(), w.now())
	}
	h, err := hl7v2.ReadHeader(message)
	if err != nil {
		return reply(h, hl7v2.Rejected, &hl7v2.Fault{Code: hl7v2.CodeRequiredField, Place: "MSH-1"})
	}
	handled, fault := h.Check()
	switch {
	case fault != nil && fault.Place == "MSH-18":
		return reply(h, hl7v2.Failed, fault)
	case fault != nil:
		return reply(h, hl7v2.Rejected, fault)
	case !handled:
		return reply(h, hl7v2.Accepted, nil)
	}
	ctx, cancel := context.WithTimeout(ctx, v2PublishTimeout)
	defer cancel()
	sum := sha256.Sum256(message)
	if _, err := w.stream.Publish(ctx, v2Subject, message, hex.EncodeToString(sum[:])); err != nil {
		w.log.Warn("a message at the MLLP door could not be stored; the sender was told", "message", h.String(), "error", err)
		return reply(h, hl7v2.Failed, &hl7v2.Fault{Code: hl7v2.CodeApplication, Place: "message"})
	}
	return reply(h, hl7v2.Accepted, nil)
}

// v2PublishTimeout is how long the stream may take; a sender waits that long for its answer.
const v2PublishTimeout = 10 * time.Second

// tooLargeV2 answers a message over the limit, as far as its header came.
func (w *Worker) tooLargeV2(beginning []byte) []byte {
	h, err := hl7v2.ReadHeader(beginning)
	if err != nil {
		return nil
	}
	w.metrics.v2.WithLabelValues("failed").Inc()
	return hl7v2.Acknowledge(h, hl7v2.Failed, &hl7v2.Fault{Code: hl7v2.CodeApplication, Place: "message"}, uuid.NewString(), w.now())
}

// serveV2 listens for HL7 v2 messages over MLLP until ctx ends and stop is called. Without an address there is none.
func (w *Worker) serveV2(ctx context.Context) (stop func(), err error) {
	if w.cfg.MLLPAddr == "" {
		return func() {}, nil
	}
	peers, err := prefixes(w.cfg.MLLPPeers)
	if err != nil {
		return nil, w.cfg.fault("intake.mllp.peers", err.Error())
	}
	listener, err := net.Listen("tcp", w.cfg.MLLPAddr)
	if err != nil {
		return nil, w.cfg.fault("intake.mllp.addr", "cannot listen: "+listenText(err))
	}
	if w.cfg.MLLPCertFile != "" {
		config, err := w.v2TLS()
		if err != nil {
			return nil, errors.Join(err, listener.Close())
		}
		listener = tls.NewListener(listener, config)
	}
	// Within this limit the stream may have a smaller one (1,032,192 bytes): what it refuses is answered AE as well.
	options := mllp.Options{Answer: w.answerV2, TooLarge: w.tooLargeV2, Limit: w.cfg.MLLPLimit, Peers: peers, Observe: func(outcome string) { w.metrics.mllp.WithLabelValues(outcome).Inc() }}
	running, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		if err := mllp.Serve(running, listener, options); err != nil {
			w.log.Error("the MLLP listener has ended", "error", err)
		}
	}()
	w.log.Info("receiving HL7 v2", "addr", listener.Addr().String(), "tls", w.cfg.MLLPCertFile != "", "peers", len(peers))
	return func() { cancel(); <-ended }, nil
}

func (w *Worker) v2TLS() (*tls.Config, error) {
	if _, err := tls.LoadX509KeyPair(w.cfg.MLLPCertFile, w.cfg.MLLPKeyFile); err != nil {
		return nil, w.cfg.fault("intake.mllp.tls.cert_file", "cannot read certificate and key")
	}
	config := &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
		pair, err := tls.LoadX509KeyPair(w.cfg.MLLPCertFile, w.cfg.MLLPKeyFile)
		return &pair, err
	}}
	if w.cfg.MLLPCAFile != "" {
		pem, err := os.ReadFile(w.cfg.MLLPCAFile)
		config.ClientCAs, config.ClientAuth = x509.NewCertPool(), tls.RequireAndVerifyClientCert
		if err != nil || !config.ClientCAs.AppendCertsFromPEM(pem) {
			return nil, w.cfg.fault("intake.mllp.tls.ca_file", "cannot read certificates")
		}
	}
	return config, nil
}

// prefixes reads addresses and networks: 10.1.2.3, 10.1.0.0/16.
func prefixes(list []string) (out []netip.Prefix, err error) {
	for _, s := range list {
		p, err := netip.ParsePrefix(s)
		if err != nil {
			a, err := netip.ParseAddr(s)
			if err != nil {
				return nil, fmt.Errorf("%q is neither an address nor a network", s)
			}
			p = netip.PrefixFrom(a, a.BitLen())
		}
		out = append(out, p)
	}
	return out, nil
}

// loopbackAddr reports an address to listen at that only this machine reaches.
func loopbackAddr(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	return err == nil && loopback(host)
}
