package worker

import (
	"cmp"
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"log/slog"

	"pupilrisk/fhirmap"
)

// auditor writes one line for each patient whose record was read and for each resource that was written: who, what, why, with what
// outcome. The patient stands there as a keyed hash, so that lines about one patient can be brought together and nobody can be looked
// up. The key is this process's own: after a restart the same patient has another hash.
type auditor struct {
	log *slog.Logger
	who string
	key []byte
}

// newAuditor makes an auditor; where the configuration turns audit lines off it is silent.
func newAuditor(cfg Config, log *slog.Logger) auditor {
	a := auditor{log: log, who: cmp.Or(cfg.FHIRDevice, "pupilrisk"), key: make([]byte, 32)}
	_, _ = rand.Read(a.key) // never fails
	if !cfg.LogAudit {
		a.log = slog.New(slog.DiscardHandler)
	}
	return a
}

// read tells of a patient's record, whole or in vain.
func (a auditor) read(ctx context.Context, patient string, err error) {
	a.line(ctx, "read", "record", patient, err)
}

// wrote tells of Flags and Tasks about a patient.
func (a auditor) wrote(ctx context.Context, patient string, writes []fhirmap.Write, err error) {
	for _, x := range writes {
		a.line(ctx, string(x.Change), x.Type, patient, err)
	}
}

func (a auditor) line(ctx context.Context, does, what, patient string, err error) {
	if !a.log.Enabled(ctx, slog.LevelInfo) {
		return
	}
	mac := hmac.New(sha256.New, a.key)
	mac.Write([]byte(patient))
	a.log.Info("audit", "who", a.who, "does", does, "what", what, "why", because(ctx), "outcome", settle(err, 1).outcome, "patient", hex.EncodeToString(mac.Sum(nil)[:8]))
}

type reasonKey struct{}

// withReason says why a record is going to be read: "event", or by itself "sweep".
func withReason(ctx context.Context, why string) context.Context {
	return context.WithValue(ctx, reasonKey{}, why)
}

func because(ctx context.Context) string {
	why, _ := ctx.Value(reasonKey{}).(string)
	return cmp.Or(why, "sweep")
}
