package worker

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/fhirhttp"
)

// Withdrawal says what is to be taken back. Its zero value is everything.
type Withdrawal struct {
	// Factor takes only what rests on this factor and on no other.
	Factor string
	// Catalogue takes only what was last written with this version.
	Catalogue string
	// Since takes only what was written at or after it, by the server's own clock; zero is any time.
	Since time.Time
	// DryRun counts and writes nothing.
	DryRun bool
	// Pause is the time between two patients; default 100 ms.
	Pause time.Duration
}

// Withdrawn counts what a withdrawal did.
type Withdrawn struct {
	Flags, Tasks int
	// Touched are those that a person changed: they stand.
	Touched int
	// Changed are patients whose record changed meanwhile: run it again.
	Changed int
}

// Withdraw ends our active Flags and open Tasks that no person has touched, one patient after the other: the way back from a
// wrong catalogue or from going live too early. Run again it goes on where it ended. A worker in live mode would bring back what
// the catalogue still asks for: correct the catalogue, or stop it or set it to shadow mode, first.
func (w *Worker) Withdraw(ctx context.Context, x Withdrawal) (done Withdrawn, err error) {
	if x.Pause == 0 {
		x.Pause = 100 * time.Millisecond
	}
	byPatient := map[string][]fhirmap.Standing{}
	if err := w.standing(ctx, func(s fhirmap.Standing) {
		switch {
		case !x.takes(s):
		case s.Touched:
			done.Touched++
		default:
			byPatient[s.Subject] = append(byPatient[s.Subject], s)
		}
	}); err != nil {
		return done, err
	}
	writer := w.writer
	if !x.DryRun && len(byPatient) > 0 {
		if writer.Device, err = w.author(ctx); err != nil {
			return done, err
		}
	}
	for patient, all := range byPatient {
		var writes []fhirmap.Write
		at := w.now()
		flags := 0
		for _, s := range all {
			end, err := writer.End(s, fhirmap.EndedTakenBack, at)
			if err != nil {
				return done, err
			}
			writes = append(writes, end)
			if s.Type == "Flag" {
				flags++
			}
		}
		if !x.DryRun {
			_, err := w.send(ctx, writer, patient, writes, at)
			w.audit.wrote(withReason(ctx, "withdrawal"), patient, writes, err)
			if fhirhttp.KindOf(err) == fhirhttp.Conflict {
				done.Changed++
				continue
			}
			if err != nil {
				return done, fmt.Errorf("withdraw: %w", err)
			}
			pause(ctx, x.Pause)
			if ctx.Err() != nil {
				return done, errors.New("interrupted; run it again to go on")
			}
		}
		done.Flags, done.Tasks = done.Flags+flags, done.Tasks+len(all)-flags
	}
	return done, nil
}

// takes reports whether the withdrawal means s.
func (x Withdrawal) takes(s fhirmap.Standing) bool {
	other := func(code string) bool { f, _, _ := strings.Cut(code, ":"); return f != x.Factor }
	switch {
	case x.Factor != "" && (len(s.Evidence) == 0 || slices.ContainsFunc(s.Evidence, other)):
		return false
	case x.Catalogue != "" && s.Catalogue != x.Catalogue:
		return false
	case !x.Since.IsZero() && s.LastUpdated.Before(x.Since):
		return false
	}
	return true
}
