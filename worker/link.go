package worker

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"slices"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/fhirhttp"
)

// link makes the appointments of the patient point to the active Flags that concern them, and to no other of ours, for schedules
// that show only what an appointment points to. It runs after the writes of a pass; what it could not do, the next pass does.
func (w *Worker) link(ctx context.Context, r *reading, s fhirmap.Situation, plan fhirmap.Plan, at placed) error {
	if !w.cfg.FlagLinkAppointment || w.cfg.Mode == Shadow || r.record.Patient().Test {
		return nil
	}
	c, err := w.fhir.Capability(ctx)
	if err != nil {
		return fmt.Errorf("read the server's capability: %w", err)
	}
	if !c.Types["Appointment"].Patch {
		w.once.log(w.log, slog.LevelWarn, "the server takes no patch of an appointment: flags are not linked in them", "key", "flag.link_appointment")
		return nil
	}
	own, active, err := w.flagsAfter(r, plan, at)
	if err != nil {
		return err
	}
	for _, b := range s.Bookings {
		raw, ok := r.appointments[b.Operation.Appointment]
		if !ok {
			continue
		}
		var wanted []string
		for _, f := range active {
			if b.Ahead && b.Operation.Eye.MayBe(f.Eye) {
				wanted = append(wanted, "Flag/"+f.ID)
			}
		}
		patch, err := fhirmap.LinkPatch(raw, own, wanted)
		if err != nil {
			return err
		}
		if patch == nil {
			continue
		}
		_, err = w.fhir.Write(ctx, http.MethodPatch, b.Operation.Appointment, patch, "", "")
		switch fhirhttp.KindOf(err) {
		case fhirhttp.Refused, fhirhttp.Denied, fhirhttp.Gone:
			w.once.log(w.log, slog.LevelWarn, "a flag could not be linked in its appointment", "error", err)
			continue
		}
		if err != nil {
			return fmt.Errorf("link flags in the appointment: %w", err)
		}
		w.metrics.writes.WithLabelValues("Appointment", string(fhirmap.Update)).Inc()
	}
	return nil
}

// flagsAfter are the references of all our Flags of the patient after the writes of a plan, and those Flags that are active then.
func (w *Worker) flagsAfter(r *reading, plan fhirmap.Plan, at placed) (own []string, active []fhirmap.Standing, err error) {
	flags := slices.Clone(r.standing)
	for _, x := range plan.Writes {
		if x.Type != "Flag" {
			continue
		}
		s, _, err := fhirmap.ParseStanding(w.writer.Names, x.Body)
		if err != nil {
			return nil, nil, err
		}
		if ref, moved := at["Flag/"+x.ID]; moved {
			s.ID = id(ref)
		}
		flags = append(slices.DeleteFunc(flags, func(f fhirmap.Standing) bool { return f.Type == "Flag" && f.ID == s.ID }), s)
	}
	for _, f := range flags {
		if f.Type != "Flag" {
			continue
		}
		own = append(own, "Flag/"+f.ID)
		if f.Open() && f.Subject == r.patient {
			active = append(active, f)
		}
	}
	return own, active, nil
}
