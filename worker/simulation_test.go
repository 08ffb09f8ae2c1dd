package worker

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/fhirstore"
)

// Random bookings, records, people, faults and restarts, by seed, against real JetStream and a FHIR server: when all is quiet
// again, what stands is what would be derived afresh, minus what people decided. PUPILRISK_SEEDS=1000 takes more seeds,
// PUPILRISK_SEED=7 takes that one alone and prints what it does.
func TestSimulation(t *testing.T) {
	first, count := uint64(0), number(t, "PUPILRISK_SEEDS", 20)
	alone := os.Getenv("PUPILRISK_SEED") != ""
	if alone {
		first, count = number(t, "PUPILRISK_SEED", 0), 1
	}
	seeds := make(chan uint64)
	var all sync.WaitGroup
	for range 8 { // most of a seed is waiting for what is handed back
		all.Go(func() {
			for seed := range seeds {
				t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) { simulate(t, seed, alone) })
			}
		})
	}
	for seed := first; seed < first+count; seed++ {
		seeds <- seed
	}
	close(seeds)
	all.Wait()
}

func number(t *testing.T, name string, otherwise uint64) uint64 {
	t.Helper()
	text := os.Getenv(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.ParseUint(text, 10, 64)
	require.NoError(t, err, name)
	return n
}

// simulation is the clinic of one seed.
type simulation struct {
	*clinic
	random *rand.Rand
	clock  atomic.Int64
	steps  []string
	loud   bool
	// staff are the running workers; each entry stops one.
	staff []func()
	// later are events that have not been published yet, and sent those that have.
	later, sent [][2]string
	closed      map[string]string // reference of what a person closed → the status it was left with
	deleted     []fhirmap.Standing
	records     int
}

const (
	simPatients = 4 // the last of them is merged and unmerged
	simBookings = 6
	simSteps    = 40
)

func simulate(t *testing.T, seed uint64, loud bool) {
	options := []func() fhirstore.Options{
		fhirstore.DefaultOptions, fhirstore.DatabaseOptions, fhirstore.RouterOptions,
		func() fhirstore.Options { o := fhirstore.DefaultOptions(); o.UpdateCreate = false; return o },
		func() fhirstore.Options {
			o := fhirstore.DefaultOptions()
			o.Transaction, o.Batch = false, false
			return o
		},
	}[seed%5]()
	s := &simulation{random: rand.New(rand.NewPCG(seed, 1)), loud: loud, closed: map[string]string{}}
	s.clock.Store(clinicDay.UnixNano())
	s.clinic = newClinic(t, options)
	s.now = func() time.Time { return time.Unix(0, s.clock.Load()).UTC() }
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("what was done: %s\nreplay it with: PUPILRISK_SEED=%d go test -run TestSimulation ./worker", strings.Join(s.steps, " · "), seed)
		}
	})
	for p := range simPatients {
		s.put(simPatient(p, ""), fmt.Sprintf(`{"resourceType":"Procedure","id":"x%d","status":"completed","subject":{"reference":"Patient/p%d"},"code":{"text":"appendectomy"},"performedDateTime":"1999"}`, p, p))
		s.record(p)
	}
	s.book("book", 0)
	s.staff = []func(){s.employ(), s.employ()}
	for range simSteps {
		s.step()
		if s.random.IntN(4) == 0 {
			time.Sleep(time.Duration(s.random.IntN(15)) * time.Millisecond)
		}
	}
	s.store.ClearFaults()
	s.say("faults end")
	for len(s.later) > 0 {
		s.publishOne()
	}
	s.drained()
	for _, stop := range s.staff {
		stop()
	}
	s.check(options.UpdateCreate)
}

func (s *simulation) say(format string, args ...any) {
	s.steps = append(s.steps, fmt.Sprintf(format, args...))
	if s.loud {
		s.t.Log(s.steps[len(s.steps)-1])
	}
}

// employ starts a worker; stop lets it finish.
func (s *simulation) employ() (stop func()) {
	w := s.worker()
	ctx, cancel := context.WithCancel(s.t.Context())
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()
	return func() {
		cancel()
		if err := <-ended; err != nil {
			s.say("%v", err) // on a slow machine; what it had in flight comes again
		}
	}
}

// drained waits until every event is settled; what was handed back comes again in seconds.
func (s *simulation) drained() {
	s.t.Helper()
	quiet := 0
	require.Eventually(s.t, func() bool {
		p, err := s.stream.Pending(s.t.Context())
		quiet++
		if err != nil || p.Pending != 0 || p.AckPending != 0 {
			quiet = 0
		}
		return quiet == 5
	}, 2*time.Minute, 20*time.Millisecond, "not every event was settled")
}

// step is one thing that happens in the clinic.
func (s *simulation) step() {
	p := s.random.IntN(simPatients)
	switch n := s.random.IntN(100); {
	case n < 14:
		s.book("book", p)
	case n < 22:
		s.change("move", func(m map[string]any) { m["start"], m["end"] = s.start() })
	case n < 26:
		s.change("other eye", func(m map[string]any) { m["serviceType"] = []any{map[string]any{"text": s.service()}} })
	case n < 31:
		status := oneOf(s.random, "cancelled", "noshow", "fulfilled", "entered-in-error", "booked")
		s.change(status, func(m map[string]any) { m["status"] = status })
	case n < 33:
		if ref, ok := s.any("Appointment"); ok {
			s.say("delete %s", ref)
			require.NoError(s.t, s.store.Delete(ref))
			s.tell(`{"reference":"` + ref + `"}`)
		}
	case n < 43:
		s.record(p)
	case n < 50:
		s.takeBack()
	case n < 56:
		s.merge()
	case n < 72:
		s.person()
	case n < 82:
		s.fault()
	case n < 85:
		i := s.random.IntN(len(s.staff))
		s.say("restart worker %d", i)
		if s.random.IntN(2) == 0 {
			s.staff = append(s.staff, s.employ()) // the new one is there before the old one goes
			s.staff[i]()
			s.staff = slices.Delete(s.staff, i, i+1)
		} else {
			s.staff[i]()
			s.staff[i] = s.employ()
		}
	case n < 88:
		hours := 1 + s.random.IntN(20)
		s.clock.Add(int64(time.Duration(hours) * time.Hour))
		s.say("%d hours pass", hours)
	case n < 93:
		if len(s.sent) > 0 {
			s.later = append(s.later, s.sent[s.random.IntN(len(s.sent))]) // once more, and late
		}
	default:
		for range min(len(s.later), 1+s.random.IntN(4)) {
			s.publishOne()
		}
	}
}

func oneOf[T any](r *rand.Rand, from ...T) T { return from[r.IntN(len(from))] }

func simPatient(p int, link string) string {
	return fmt.Sprintf(`{"resourceType":"Patient","id":"p%d","name":[{"family":"Invented"}]%s}`, p, link)
}

func (s *simulation) start() (start, end string) {
	at := s.now().Truncate(time.Hour).Add(time.Duration(4+s.random.IntN(1000)) * time.Hour)
	return at.Format(time.RFC3339), at.Add(30 * time.Minute).Format(time.RFC3339)
}

func (s *simulation) service() string {
	return "Cataract surgery" + oneOf(s.random, ", right eye", ", left eye", ", right eye", ", left eye", ", both eyes", "")
}

// book puts a booking: a new one, or in the place of one that stands, whoever's it was.
func (s *simulation) book(what string, p int) {
	id := fmt.Sprintf("a%d", s.random.IntN(simBookings))
	before, _ := s.store.Get("Appointment/" + id)
	start, end := s.start()
	b := fmt.Sprintf(`{"resourceType":"Appointment","id":%q,"status":"booked","serviceType":[{"text":%q}],"start":%q,"end":%q,"participant":[{"actor":{"reference":"Patient/p%d"},"status":"accepted"}]}`,
		id, s.service(), start, end, p)
	s.say("%s %s for p%d", what, id, p)
	s.put(b)
	old := b
	if before != nil {
		old = string(before)
	}
	s.tell(oneOf(s.random, b, old, `{"reference":"Appointment/`+id+`"}`))
}

// change edits a booking that stands.
func (s *simulation) change(what string, edit func(map[string]any)) {
	ref, ok := s.any("Appointment")
	if !ok {
		return
	}
	s.say("%s: %s", ref, what)
	old, _ := s.store.Get(ref)
	require.NoError(s.t, s.store.Edit(ref, edit))
	s.tell(oneOf(s.random, string(old), `{"reference":"`+ref+`"}`))
}

// any is one resource of a type.
func (s *simulation) any(typ string) (ref string, ok bool) {
	all := s.store.All(typ)
	if len(all) == 0 {
		return "", false
	}
	var r struct{ ID string }
	require.NoError(s.t, json.Unmarshal(all[s.random.IntN(len(all))], &r))
	return typ + "/" + r.ID, true
}

// record adds to a patient's history.
func (s *simulation) record(p int) {
	s.records++
	n := s.records
	if s.random.IntN(3) > 0 {
		drug := oneOf(s.random, "Tamsulosin 400 micrograms", "Silodosin 8 mg", "Doxazosin 4 mg", "Pilocarpine 2 % eye drops", "Aspirin 75 mg", "Finasteride 5 mg")
		s.say("m%d of p%d: %s", n, p, drug)
		s.put(fmt.Sprintf(`{"resourceType":"MedicationStatement","id":"m%d","status":%q,"subject":{"reference":"Patient/p%d"},"medicationCodeableConcept":{"text":%q}}`,
			n, oneOf(s.random, "active", "completed"), p, drug))
	} else {
		condition := oneOf(s.random, "Pseudoexfoliation syndrome, right eye", "Posterior synechiae, left eye", "Benign prostatic hyperplasia", "Hypertension")
		s.say("c%d of p%d: %s", n, p, condition)
		s.put(fmt.Sprintf(`{"resourceType":"Condition","id":"c%d","subject":{"reference":"Patient/p%d"},"code":{"text":%q}}`, n, p, condition))
	}
	s.tell(fmt.Sprintf(`{"reference":"Patient/p%d"}`, p))
}

// takeBack takes an entry of a history back, in one of the ways there are.
func (s *simulation) takeBack() {
	ref, ok := s.any(oneOf(s.random, "MedicationStatement", "Condition"))
	if !ok {
		return
	}
	how := oneOf(s.random, "in error", "in error", "deleted", "another's")
	s.say("%s: %s", ref, how)
	switch how {
	case "deleted":
		require.NoError(s.t, s.store.Delete(ref))
	case "another's":
		require.NoError(s.t, s.store.Edit(ref, func(m map[string]any) {
			m["subject"] = map[string]any{"reference": fmt.Sprintf("Patient/p%d", s.random.IntN(simPatients))}
		}))
	default:
		require.NoError(s.t, s.store.Edit(ref, func(m map[string]any) {
			if m["resourceType"] == "Condition" {
				m["verificationStatus"] = map[string]any{"coding": []any{map[string]any{"code": "refuted", "system": "http://terminology.hl7.org/CodeSystem/condition-ver-status"}}}
			} else {
				m["status"] = oneOf(s.random, "entered-in-error", "not-taken")
			}
		}))
	}
	s.tell(fmt.Sprintf(`{"reference":"Patient/p%d"}`, s.random.IntN(simPatients)))
}

// merge links the last patient to another, or takes the link back.
func (s *simulation) merge() {
	link := ""
	if s.random.IntN(2) == 0 {
		link = fmt.Sprintf(`,"link":[{"other":{"reference":"Patient/p%d"},"type":"replaced-by"}]`, s.random.IntN(simPatients-1))
	}
	s.say("p%d link: %s", simPatients-1, link)
	s.put(simPatient(simPatients-1, link))
	s.tell(fmt.Sprintf(`{"reference":"Patient/p%d"}`, simPatients-1))
}

// person does something to a Flag or Task of ours that is open.
func (s *simulation) person() {
	ref, ok := s.any(oneOf(s.random, "Flag", "Task"))
	if !ok {
		return
	}
	raw, ok := s.store.Get(ref)
	if !ok {
		return // it went in between
	}
	if strings.HasPrefix(ref, "Flag/") && s.random.IntN(4) == 0 {
		standing, _, err := fhirmap.ParseStanding(fhirmap.Names{Canonical: fhirmap.DefaultCanonical}, raw)
		require.NoError(s.t, err)
		s.say("delete %s (%s.%d)", ref, standing.Base, standing.N)
		require.NoError(s.t, s.store.Delete(ref))
		s.deleted = append(s.deleted, standing)
		return
	}
	does := oneOf(s.random, "accepted", "completed", "rejected", "cancelled", "comment")
	if strings.HasPrefix(ref, "Flag/") {
		does = oneOf(s.random, "inactive", "inactive", "entered-in-error", "wording", "comment")
	}
	err := s.store.Edit(ref, func(m map[string]any) {
		if m["status"] != "active" && m["status"] != "requested" && m["status"] != "accepted" {
			return
		}
		s.say("a person on %s: %s", ref, does)
		switch does {
		case "comment":
			m["language"] = "en" // an element that is not ours
		case "wording":
			m["code"].(map[string]any)["text"] = "worded by a person"
		default:
			m["status"] = does
			if does != "accepted" {
				s.closed[ref] = does
			}
		}
	})
	require.NoError(s.t, err)
}

// fault disturbs the next few requests.
func (s *simulation) fault() {
	f := oneOf(s.random,
		fhirstore.Fault{Status: 503}, fhirstore.Fault{Status: 429, RetryAfter: "1"}, fhirstore.Fault{Status: 500, Path: "MedicationStatement"},
		fhirstore.Fault{Drop: true}, fhirstore.Fault{CutBody: true}, fhirstore.Fault{Garbage: true}, fhirstore.Fault{Delay: 20 * time.Millisecond},
		fhirstore.Fault{Status: 409, Interaction: "transaction"}, fhirstore.Fault{Status: 412, Interaction: "update"},
		fhirstore.Fault{Drop: true, Late: true, Interaction: "transaction"}, fhirstore.Fault{Status: 500, Late: true, Interaction: "update"},
		fhirstore.Fault{Status: 403, Path: "Procedure?"}, fhirstore.Fault{Status: 404, Path: "Condition?"},
	)
	f.After, f.Times = s.random.IntN(4), 1+s.random.IntN(3)
	s.say("fault %+v", f)
	s.store.Fault(f)
}

// tell publishes an event, at once, later, twice, or never: the sweep closes that hole.
func (s *simulation) tell(payload string) {
	e := [2]string{oneOf(s.random, "clinic.booking.sim", "clinic.history.sim"), payload}
	switch n := s.random.IntN(10); {
	case n == 0:
	case n < 4:
		s.later = append(s.later, e)
	case n < 5:
		s.later = append(s.later, e, e)
		fallthrough
	default:
		s.later = append(s.later, e)
		s.publish(e[0], e[1], "")
		s.sent = append(s.sent, e)
	}
}

// publishOne publishes one of the events that were kept back, in any order.
func (s *simulation) publishOne() {
	i := s.random.IntN(len(s.later))
	e := s.later[i]
	s.later = slices.Delete(s.later, i, i+1)
	s.publish(e[0], e[1], "")
	s.sent = append(s.sent, e)
}

// check sweeps once, as the running workers would, and looks at what stands.
func (s *simulation) check(ids bool) {
	s.sweep(s.clinic)
	before := len(s.store.Requests())
	s.sweep(s.clinic)
	for _, r := range s.store.Requests()[before:] {
		if !strings.HasPrefix(r.Path, "Device") {
			require.NotContains(s.t, []string{"transaction", "update", "create"}, r.Interaction, "a further sweep changes nothing")
		}
	}
	require.Empty(s.t, twice(s.t, s.clinic))

	closed := map[string]string{}
	for ref := range s.closed {
		if raw, ok := s.store.Get(ref); ok {
			var r struct{ Status string }
			require.NoError(s.t, json.Unmarshal(raw, &r))
			closed[ref] = r.Status
		}
		// Deleted later by a person, too. A creation that was on its way while a Flag was created, and deleted, brings it back once:
		// a server knows no condition for that.
		if slices.ContainsFunc(s.deleted, func(x fhirmap.Standing) bool { return "Flag/"+x.ID == ref }) {
			delete(s.closed, ref)
			delete(closed, ref)
		}
	}
	for ref := range closed {
		if closed[ref] != s.closed[ref] {
			for _, v := range s.store.History(ref) {
				s.t.Logf("%s: %s", ref, v)
			}
		}
	}
	require.Equal(s.t, s.closed, closed, "what a person closed stays as it was left")

	afresh := *s.clinic
	afresh.store = fhirstore.New(fhirstore.DefaultOptions())
	server, err := fhirstore.Serve(afresh.store, "127.0.0.1:0")
	require.NoError(s.t, err)
	s.t.Cleanup(func() { require.NoError(s.t, server.Close(context.Background())) })
	afresh.url = server.URL()
	for ref, raw := range s.store.Snapshot() {
		if typ, _, _ := strings.Cut(ref, "/"); !slices.Contains([]string{"Flag", "Task", "Provenance", "Device"}, typ) {
			afresh.put(string(raw))
		}
	}
	s.sweep(&afresh)
	s.compare(s.standing(s.store), s.standing(afresh.store), ids)
}

// sweep is one sweep by a worker that has just started. Where more is to be withdrawn than one may, the next goes on.
func (s *simulation) sweep(c *clinic) {
	s.t.Helper()
	for range 5 {
		w := c.worker()
		require.NoError(s.t, w.Sweep(s.t.Context()))
		if !w.brake.holds() {
			return
		}
	}
}

// standing are our Flags and Tasks.
func (s *simulation) standing(store *fhirstore.Store) (out []fhirmap.Standing) {
	for _, typ := range ownTypes {
		for _, raw := range store.All(typ) {
			x, ours, err := fhirmap.ParseStanding(fhirmap.Names{Canonical: fhirmap.DefaultCanonical}, raw)
			require.NoError(s.t, err)
			require.True(s.t, ours)
			out = append(out, x)
		}
	}
	return out
}

// compare holds what stands against what is derived from the record alone. A difference is a fault unless a person decided it.
func (s *simulation) compare(stands, afresh []fhirmap.Standing, ids bool) {
	open := func(all []fhirmap.Standing) map[string]fhirmap.Standing {
		out := map[string]fhirmap.Standing{}
		for _, x := range all {
			if x.Open() {
				key := x.Type + " " + x.Base
				require.NotContains(s.t, out, key, "two are open for one key")
				out[key] = x
			}
		}
		return out
	}
	decided := func(x fhirmap.Standing) bool {
		same := func(y fhirmap.Standing) bool {
			if x.Type != y.Type {
				return false
			}
			if x.Type == "Flag" {
				return x.Hazard == y.Hazard && x.Eye == y.Eye
			}
			return x.Focus == y.Focus && x.Preparation == y.Preparation
		}
		return slices.ContainsFunc(stands, func(y fhirmap.Standing) bool { return y.Touched && same(y) }) || ids && slices.ContainsFunc(s.deleted, same)
	}
	is, want := open(stands), open(afresh)
	for _, key := range slices.Sorted(maps.Keys(want)) {
		x, ok := is[key]
		if !ok {
			require.True(s.t, decided(want[key]), "%s is missing, and no person decided so", key)
			continue
		}
		if !x.Touched {
			require.Equal(s.t, want[key].Text, x.Text, key)
			require.Equal(s.t, want[key].Level, x.Level, key)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(is)) {
		if _, ok := want[key]; !ok {
			// With a Flag that a person deleted, what it rested on is forgotten: nothing proves that its Tasks are idle.
			orphaned := strings.HasPrefix(key, "Task") && slices.ContainsFunc(s.deleted, func(f fhirmap.Standing) bool {
				return f.Subject == is[key].Subject && f.Eye.MayBe(is[key].Eye)
			})
			require.True(s.t, is[key].Touched || orphaned, "%s stands, and nothing calls for it: %s", key, is[key].Raw)
		}
	}
	for _, x := range stands {
		if x.Type != "Flag" || x.Open() || !x.Touched {
			continue
		}
		y, ok := is["Flag "+x.Base]
		require.False(s.t, ok && y.N > x.N && !slices.ContainsFunc(y.Evidence, func(e string) bool { return !slices.Contains(x.Evidence, e) }),
			"%s.%d stands on evidence for which a person closed %s.%d", y.Base, y.N, x.Base, x.N)
	}
}
