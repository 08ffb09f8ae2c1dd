package demo

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/rules/catalogue"
	"pupilrisk/worker"
	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/peertest"
)

// The whole job against a FHIR server that nobody here wrote, with and without update as create; everything written passes
// two independent validators, and it is the same as on our own in-memory server.
func TestInteropWholeJob(t *testing.T) {
	now := time.Date(2026, 11, 23, 7, 0, 0, 0, time.Local)
	clinic, err := NewClinic(now, time.Local)
	require.NoError(t, err)
	sound := slices.DeleteFunc(slices.Clone(clinic.Resources), func(r []byte) bool { return slices.Contains(clinic.Damaged, referenceOf(t, r)) })
	store, base := storeOf(t, Clinic{Resources: sound}, fhirstore.DefaultOptions())
	newSite(t, base, now).work(1, clinic.Events)
	want := keys(t, store.All("Flag"), store.All("Task"))
	require.NotEmpty(t, want)

	for name, options := range map[string]peertest.Options{
		"update as create":       {},
		"server chooses ids":     {NoUpdateCreate: true},
		"neither batch nor more": {NoBatch: true, NoTransaction: true},
		"small pages":            {Page: 2},
	} {
		t.Run(name, func(t *testing.T) {
			peer := peertest.Server(t, options)
			peer.Put(t, sound...)
			s := newSite(t, peer.Base, now)
			s.work(2, clinic.Events)
			require.Equal(t, want, keys(t, peer.All(t, "Flag"), peer.All(t, "Task")))
			s.work(2, clinic.Events)
			require.Equal(t, want, keys(t, peer.All(t, "Flag"), peer.All(t, "Task")), "replayed")
			require.Contains(t, listOf(t, peer.Base, now), "EXPECT      floppy iris", "the operating list of that server")
			peertest.Validate(t, slices.Concat(peer.All(t, "Flag"), peer.All(t, "Task"), peer.All(t, "Provenance"), peer.All(t, "Device"))...)
		})
	}
}

// listOf is the operating list as it stands in a FHIR server.
func listOf(t *testing.T, base string, now time.Time) string {
	t.Helper()
	cat, err := fhirmap.LoadCatalogue(catalogue.FS)
	require.NoError(t, err)
	cfg := worker.DefaultConfig()
	cfg.FHIRURL, cfg.Timezone = base, "Local"
	client, err := worker.OpenFHIR(cfg, "test", nil, nil)
	require.NoError(t, err)
	defer client.Close()
	l, err := worker.Lister{Config: cfg, Catalogue: cat, FHIR: client, Now: func() time.Time { return now }}.List(t.Context(), now, now.AddDate(0, 0, Days))
	require.NoError(t, err)
	var out strings.Builder
	require.NoError(t, l.WriteText(&out, 100, false))
	return out.String()
}

// A FHIR client that nobody here wrote reads the list as a schedule would: Flags by patient, Tasks by focus. It finds what we
// wrote and nothing else, also page by page.
func TestInteropScheduleReadsTheList(t *testing.T) {
	now := time.Date(2026, 11, 23, 7, 0, 0, 0, time.UTC)
	clinic, err := NewClinic(now, time.UTC)
	require.NoError(t, err)
	peer := peertest.Server(t, peertest.Options{Page: 3})
	peer.Put(t, slices.DeleteFunc(slices.Clone(clinic.Resources), func(r []byte) bool { return slices.Contains(clinic.Damaged, referenceOf(t, r)) })...)
	newSite(t, peer.Base, now).work(2, clinic.Events)

	type written struct {
		Identifier            []struct{ Value string }
		Status                string
		Subject, Focus, Actor struct{ Reference string }
		Participant           []struct{ Actor struct{ Reference string } }
	}
	of := func(typ, status string, about func(written) string) map[string][]string {
		found := map[string][]string{}
		for _, raw := range peer.All(t, typ) {
			var w written
			require.NoError(t, json.Unmarshal(raw, &w))
			if w.Status == status {
				found[about(w)] = append(found[about(w)], w.Identifier[0].Value)
			}
		}
		return found
	}
	flags := of("Flag", "active", func(w written) string { return w.Subject.Reference })
	tasks := of("Task", "requested", func(w written) string { return w.Focus.Reference })
	patients := map[string]string{}
	for _, raw := range peer.All(t, "Appointment") {
		var w written
		require.NoError(t, json.Unmarshal(raw, &w))
		for _, p := range w.Participant {
			if strings.HasPrefix(p.Actor.Reference, "Patient/") {
				patients[referenceOf(t, raw)] = p.Actor.Reference
			}
		}
	}
	list := peertest.Schedule(t, peer.Base, now, now.AddDate(0, 0, Days))
	require.Greater(t, len(list), 20)
	var shown int
	for _, a := range list {
		ref := "Appointment/" + a.Appointment
		require.ElementsMatch(t, flags[patients[ref]], a.Flags, ref)
		require.ElementsMatch(t, tasks[ref], a.Tasks, ref)
		shown += len(a.Flags) + len(a.Tasks)
	}
	require.Greater(t, shown, 80)
}

// What the demo writes passes both validators.
func TestInteropDemoIsValid(t *testing.T) {
	r := run(t, time.Date(2026, 11, 23, 7, 0, 0, 0, time.Local))
	written := slices.Concat(r.Store.All("Flag"), r.Store.All("Task"), r.Store.All("Provenance"), r.Store.All("Device"))
	require.NotEmpty(t, written)
	peertest.Validate(t, written...)
}

// Faults of the server, one after the other: once they end, the state is the one without them.
func TestInteropFaultsEndInTheSameState(t *testing.T) {
	now := time.Date(2026, 11, 23, 7, 0, 0, 0, time.Local)
	clinic, err := NewClinic(now, time.Local)
	require.NoError(t, err)
	sound := slices.DeleteFunc(slices.Clone(clinic.Resources), func(r []byte) bool { return slices.Contains(clinic.Damaged, referenceOf(t, r)) })
	store, base := storeOf(t, Clinic{Resources: sound}, fhirstore.DefaultOptions())
	newSite(t, base, now).work(1, clinic.Events)
	want := keys(t, store.All("Flag"), store.All("Task"))

	for name, f := range map[string]peertest.Fault{
		"503 with Retry-After":    {Method: "POST", Status: 503, RetryAfter: "1", Times: 5},
		"500":                     {Method: "POST", Status: 500, Times: 4},
		"late":                    {Delay: 300 * time.Millisecond, Times: 5},
		"dropped before acting":   {Method: "POST", Drop: true, Times: 3},
		"dropped after acting":    {Method: "POST", DropAfter: true, Times: 3},
		"answer cut short":        {Method: "POST", Cut: 40, Times: 3},
		"one entry of the batch":  {Entry: "MedicationStatement", Status: 503, Times: 3},
		"the same, for good once": {Entry: "Procedure", Status: 500, Times: 2},
	} {
		t.Run(name, func(t *testing.T) {
			peer := peertest.Server(t, peertest.Options{})
			peer.Put(t, sound...)
			peer.Fault(t, f)
			newSite(t, peer.Base, now).work(2, clinic.Events)
			require.Equal(t, want, keys(t, peer.All(t, "Flag"), peer.All(t, "Task")))
		})
	}
}
