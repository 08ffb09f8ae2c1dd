package worker

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/fhirhttp"
	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/peertest"
)

const (
	hookURL   = "https://here.example/hook"
	bookTopic = "https://there.example/SubscriptionTopic/booking"
)

// subscribed is a FHIR server to subscribe at, with the requests that change something.
type subscribed struct {
	t      *testing.T
	client *fhirhttp.Client
	store  *fhirstore.Store
	opt    SubscribeOptions

	mu     sync.Mutex
	secret string
	writes []string
	// narrowed are the searches by url, which the store does not have.
	narrowed []string
}

// newSubscribed serves a store whose statement of capability is changed as edit does.
func newSubscribed(t *testing.T, options fhirstore.Options, edit func(statement string) string) *subscribed {
	t.Helper()
	s := &subscribed{t: t, store: fhirstore.New(options), secret: "invented-secret\nolder\n"}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet {
			s.mu.Lock()
			s.writes = append(s.writes, r.Method+" "+r.Header.Get("If-Match"))
			s.mu.Unlock()
		}
		if q := r.URL.Query(); q.Has("url") {
			s.narrowed = append(s.narrowed, q.Get("url"))
			q.Del("url")
			r.URL.RawQuery = q.Encode()
		}
		if once := r.Header.Get("If-None-Exist"); once != "" {
			s.narrowed = append(s.narrowed, once)
			r.Header.Del("If-None-Exist")
		}
		if edit == nil || !strings.HasSuffix(r.URL.Path, "/metadata") {
			s.store.ServeHTTP(w, r)
			return
		}
		recorded := httptest.NewRecorder()
		s.store.ServeHTTP(recorded, r)
		w.Header().Set("Content-Type", recorded.Header().Get("Content-Type"))
		fmt.Fprint(w, edit(recorded.Body.String()))
	}))
	var err error
	s.client, err = fhirhttp.New(fhirhttp.Config{Base: server.URL + "/fhir"})
	require.NoError(t, err)
	t.Cleanup(func() { s.client.Close(); server.Close() })
	s.opt = SubscribeOptions{
		Endpoint: hookURL, Secret: func() ([]byte, error) { return []byte(s.secret), nil }, Names: fhirmap.Names{Canonical: fhirmap.DefaultCanonical},
		Now: func() time.Time { return clinicDay },
	}
	return s
}

// advertise is a server with topics.
func advertise(topics ...string) func(string) string {
	return func(statement string) string {
		var extensions []string
		for _, topic := range topics {
			extensions = append(extensions, `{"url":"`+backportTopics+`","valueCanonical":"`+topic+`"}`)
		}
		const at = `{"type":"Subscription",`
		return strings.Replace(statement, at, at+`"supportedProfile":["`+backportSubscription+`|1.1.0"],"extension":[`+strings.Join(extensions, ",")+`],`, 1)
	}
}

// subscribe subscribes and returns what stands, by its criteria, and what was written.
func (s *subscribed) subscribe() (standing map[string]subscriptionJSON, writes []string) {
	s.t.Helper()
	s.writes = nil
	refs, err := Subscribe(s.t.Context(), s.client, s.opt)
	require.NoError(s.t, err)
	all := s.all()
	standing = map[string]subscriptionJSON{}
	for _, ref := range refs {
		i := slices.IndexFunc(all, func(x subscriptionJSON) bool { return "Subscription/"+x.ID == ref })
		require.NotEqual(s.t, -1, i, ref)
		standing[all[i].Criteria] = all[i]
	}
	return standing, s.writes
}

func (s *subscribed) all() []subscriptionJSON {
	s.t.Helper()
	all, err := subscriptionsAt(s.t.Context(), s.client, hookURL, false)
	require.NoError(s.t, err)
	return all
}

// alter changes what stands, as the server or somebody else would.
func (s *subscribed) alter(x subscriptionJSON, change func(*subscriptionJSON)) {
	s.t.Helper()
	change(&x)
	x.Meta.VersionID = ""
	body, err := json.Marshal(x)
	require.NoError(s.t, err)
	require.NoError(s.t, s.store.Put(body))
}

func TestSubscribePlain(t *testing.T) {
	for name, options := range map[string]fhirstore.Options{
		"the worker chooses the id": fhirstore.DefaultOptions(), "database": fhirstore.DatabaseOptions(), "router": fhirstore.RouterOptions(), "one a page": {PageSize: 1, UpdateCreate: true},
		"the server chooses it": {PageSize: 2},
	} {
		t.Run(name, func(t *testing.T) {
			s := newSubscribed(t, options, nil)
			for i := range 5 {
				require.NoError(t, s.store.Put(fmt.Appendf(nil, `{"resourceType":"Subscription","id":"o%d","status":"active","reason":"x","criteria":"Appointment?","channel":{"type":"rest-hook","endpoint":"https://other.example"}}`, i)))
			}
			standing, writes := s.subscribe()
			require.Len(t, writes, 1)
			got := standing[PlainCriteria]
			require.Equal(t, subscriptionJSON{
				ResourceType: "Subscription", ID: got.ID, Meta: subscriptionMetaJSON{VersionID: got.Meta.VersionID, Tag: []tagJSON{s.opt.tag()}}, Status: "requested",
				End: clinicDay.Add(defaultLifetime).UTC().Format(time.RFC3339), Reason: got.Reason, Criteria: PlainCriteria,
				Channel: channelJSON{Type: "rest-hook", Endpoint: hookURL, Payload: "application/fhir+json", Header: []string{"Authorization: Bearer invented-secret"}},
			}, got)
			require.NotEmpty(t, got.Reason)
			again, writes := s.subscribe()
			require.Empty(t, writes)
			require.Equal(t, standing, again)
		})
	}
}

func TestSubscribeToATopic(t *testing.T) {
	s := newSubscribed(t, fhirstore.DefaultOptions(), advertise("https://there.example/other", bookTopic+"|2"))
	s.opt.Topic, s.opt.Filters, s.opt.Heartbeat, s.opt.Header = bookTopic, []string{"Appointment?status=booked", "Appointment?specialty=x"}, 90*time.Second, "X-Hook-Secret"
	standing, writes := s.subscribe()
	require.Len(t, writes, 1)
	// As in the guide's example of a topic-based subscription (backport-subscription).
	a, err := s.client.Read(t.Context(), "Subscription/"+standing[bookTopic].ID)
	require.NoError(t, err)
	var got map[string]any
	require.NoError(t, json.Unmarshal(a.Body, &got))
	delete(got["meta"].(map[string]any), "versionId")
	delete(got["meta"].(map[string]any), "lastUpdated")
	want := map[string]any{}
	require.NoError(t, json.Unmarshal([]byte(`{"resourceType":"Subscription","id":"`+standing[bookTopic].ID+`",
		"meta":{"profile":["http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription"],
			"tag":[{"system":"https://pupilrisk.example/fhir/CodeSystem/subscription","code":"hook"}]},
		"status":"requested","end":"`+standing[bookTopic].End+`","reason":"Pupil risk of booked eye operations",
		"criteria":"`+bookTopic+`","_criteria":{"extension":[
			{"url":"http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-filter-criteria","valueString":"Appointment?status=booked"},
			{"url":"http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-filter-criteria","valueString":"Appointment?specialty=x"}]},
		"channel":{"extension":[{"url":"http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-heartbeat-period","valueUnsignedInt":90}],
			"type":"rest-hook","endpoint":"`+hookURL+`","payload":"application/fhir+json",
			"_payload":{"extension":[{"url":"http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-payload-content","valueCode":"id-only"}]},
			"header":["X-Hook-Secret: invented-secret"]}}`), &want))
	require.Equal(t, want, got)
	_, writes = s.subscribe()
	require.Empty(t, writes)

	for name, c := range map[string]struct {
		edit func(string) string
		want string
	}{
		"other topics":      {advertise("https://there.example/other"), PlainCriteria},
		"the profile alone": {advertise(), bookTopic},
		"nothing":           {nil, PlainCriteria},
		"said of another type": {func(s string) string {
			return strings.Replace(advertise(bookTopic)(s), `"type":"Subscription"`, `"type":"Basic"`, 1)
		}, ""},
		"as a client": {func(s string) string {
			return strings.Replace(advertise(bookTopic)(s), `"mode":"server"`, `"mode":"client"`, 1)
		}, PlainCriteria},
	} {
		t.Run(name, func(t *testing.T) {
			s := newSubscribed(t, fhirstore.DefaultOptions(), c.edit)
			s.opt.Topic = bookTopic
			if c.want == "" {
				_, err := Subscribe(t.Context(), s.client, s.opt)
				require.ErrorIs(t, err, ErrNoSubscriptions)
				return
			}
			standing, _ := s.subscribe()
			require.Contains(t, standing, c.want)
		})
	}
}

// What stands and is well is left alone; what is not is put right, under its id and over the version that was read.
func TestSubscribeRenews(t *testing.T) {
	for name, c := range map[string]struct {
		server func(*subscriptionJSON)
		ours   func(*subscribed)
		well   bool
	}{
		"active":                 {server: func(x *subscriptionJSON) { x.Status = "active" }, well: true},
		"failed":                 {server: func(x *subscriptionJSON) { x.Status = "error" }},
		"off":                    {server: func(x *subscriptionJSON) { x.Status = "off" }},
		"ends late":              {server: func(x *subscriptionJSON) { x.End = clinicDay.Add(16 * 24 * time.Hour).Format(time.RFC3339) }, well: true},
		"ends soon":              {server: func(x *subscriptionJSON) { x.End = clinicDay.Add(14 * 24 * time.Hour).Format(time.RFC3339) }},
		"ends never":             {server: func(x *subscriptionJSON) { x.End = "" }, well: true},
		"ends nobody knows":      {server: func(x *subscriptionJSON) { x.End = "soon" }},
		"time goes by":           {ours: func(s *subscribed) { s.opt.Now = func() time.Time { return clinicDay.Add(16 * 24 * time.Hour) } }},
		"another secret":         {ours: func(s *subscribed) { s.secret = "new" }},
		"an old one beside it":   {ours: func(s *subscribed) { s.secret = "invented-secret" }, well: true},
		"the header is hidden":   {server: func(x *subscriptionJSON) { x.Channel.Header = []string{"authorization: ****"} }, well: true},
		"the header is left out": {server: func(x *subscriptionJSON) { x.Channel.Header = nil }, well: true},
		"another filter":         {ours: func(s *subscribed) { s.opt.Filters = []string{"Appointment?status=pending"} }},
		"no filter":              {server: func(x *subscriptionJSON) { x.CriteriaMore = extensionsJSON{} }},
		"another heartbeat":      {ours: func(s *subscribed) { s.opt.Heartbeat = time.Hour }},
		"no heartbeat there":     {server: func(x *subscriptionJSON) { x.Channel.Extension = nil }, well: true},
		"another payload":        {server: func(x *subscriptionJSON) { x.Channel.PayloadMore.Extension[0].Code = "full-resource" }},
		"another media type":     {server: func(x *subscriptionJSON) { x.Channel.Payload = "application/fhir+xml" }},
		"another channel":        {server: func(x *subscriptionJSON) { x.Channel.Type = "websocket" }},
	} {
		t.Run(name, func(t *testing.T) {
			s := newSubscribed(t, fhirstore.DefaultOptions(), advertise(bookTopic))
			s.opt.Topic, s.opt.Filters, s.opt.Heartbeat = bookTopic, []string{"Appointment?status=booked"}, time.Minute
			first, _ := s.subscribe()
			if c.server != nil {
				s.alter(first[bookTopic], c.server)
			}
			if c.ours != nil {
				c.ours(s)
			}
			before := s.all()[0]
			standing, writes := s.subscribe()
			require.Len(t, s.all(), 1)
			if c.well {
				require.Empty(t, writes)
				return
			}
			require.Equal(t, []string{`PUT W/"` + before.Meta.VersionID + `"`}, writes)
			require.Equal(t, before.ID, standing[bookTopic].ID)
			require.Equal(t, "requested", standing[bookTopic].Status)
			_, writes = s.subscribe()
			require.Empty(t, writes, "put right once")
		})
	}
}

// What we no longer want is turned off; what somebody else made is not ours to turn off, but serves.
func TestSubscribeTurnsOffItsOwn(t *testing.T) {
	s := newSubscribed(t, fhirstore.DefaultOptions(), nil)
	s.opt.Criteria = []string{"Appointment?status=booked", "Condition?"}
	standing, writes := s.subscribe()
	require.Len(t, standing, 2)
	require.Len(t, writes, 2)
	byHand := standing["Condition?"]
	byHand.ID, byHand.Meta.Tag, byHand.Status = "by-hand", nil, "active"
	s.alter(byHand, func(*subscriptionJSON) {})
	repeated := standing["Appointment?status=booked"]
	repeated.ID = "repeated"
	s.alter(repeated, func(*subscriptionJSON) {})

	s.opt.Criteria = []string{"Appointment?status=booked"}
	standing, _ = s.subscribe()
	require.Len(t, standing, 1)
	states := map[string]int{}
	for _, x := range s.all() {
		states[x.Status]++
		if x.ID == "by-hand" {
			require.Equal(t, "active", x.Status)
		}
	}
	require.Equal(t, map[string]int{"requested": 1, "active": 1, "off": 2}, states)
	_, writes = s.subscribe()
	require.Empty(t, writes)

	s.opt.Criteria = append(s.opt.Criteria, "Condition?")
	standing, writes = s.subscribe()
	require.Empty(t, writes)
	require.Equal(t, "by-hand", standing["Condition?"].ID)
}

func TestSubscribeAtOnce(t *testing.T) {
	s := newSubscribed(t, fhirstore.DefaultOptions(), nil)
	var all sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		all.Go(func() { _, errs[i] = Subscribe(t.Context(), s.client, s.opt) })
	}
	all.Wait()
	require.NoError(t, errors.Join(errs...))
	require.Len(t, s.all(), 1)
}

// Where the server searches by url and criteria, it is not asked for everybody's, and of two that create at once one wins.
func TestSubscribeSearchesByURL(t *testing.T) {
	s := newSubscribed(t, fhirstore.Options{ConditionalCreate: true}, func(statement string) string {
		at := `"type":"Subscription",`
		i := strings.Index(statement, at)
		return statement[:i] + strings.Replace(statement[i:], `"searchParam":[`, `"searchParam":[{"name":"url","type":"uri"},{"name":"criteria","type":"string"},`, 1)
	})
	s.opt.Endpoint, s.opt.Criteria = "https://here.example/hook?clinic=a&b", []string{"Appointment?status=booked"}
	_, err := Subscribe(t.Context(), s.client, s.opt)
	require.NoError(t, err)
	require.Equal(t, []string{s.opt.Endpoint, "url=https%3A%2F%2Fhere.example%2Fhook%3Fclinic%3Da%26b&criteria=Appointment%3Fstatus%3Dbooked"}, s.narrowed)
}

func TestSubscribeRefuses(t *testing.T) {
	for name, change := range map[string]func(*subscribed){
		"plain http":     func(s *subscribed) { s.opt.Endpoint = "http://here.example/PRIVATE" },
		"no address":     func(s *subscribed) { s.opt.Endpoint = "PRIVATE" },
		"no secret":      func(s *subscribed) { s.secret = " \n" },
		"lost secret":    func(s *subscribed) { s.opt.Secret = func() ([]byte, error) { return nil, errors.New("no such file") } },
		"not offered":    func(s *subscribed) { s.store = fhirstore.New(fhirstore.Options{Types: []string{"Appointment"}}) },
		"server is down": func(s *subscribed) { s.store.Fault(fhirstore.Fault{Status: 500}) },
	} {
		t.Run(name, func(t *testing.T) {
			s := newSubscribed(t, fhirstore.DefaultOptions(), nil)
			change(s)
			_, err := Subscribe(t.Context(), s.client, s.opt)
			require.Error(t, err)
			require.NotContains(t, err.Error(), "PRIVATE")
			require.NotContains(t, err.Error(), "invented-secret")
		})
	}
	s := newSubscribed(t, fhirstore.DefaultOptions(), nil)
	s.opt.Endpoint = "http://127.0.0.1:9/hook"
	_, err := Subscribe(t.Context(), s.client, s.opt)
	require.NoError(t, err)
}

func TestMissedEvents(t *testing.T) {
	var asked []string
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked = append(asked, r.URL.Path+"?"+r.URL.RawQuery)
		w.Header().Set("Content-Type", "application/fhir+json")
		// Two at a time, and none from 9.
		var since, until int
		_, err := fmt.Sscanf(r.URL.RawQuery, "eventsSinceNumber=%d&eventsUntilNumber=%d", &since, &until)
		if err != nil {
			panic(err)
		}
		var events string
		for n := since; n <= min(until, since+1, 8); n++ {
			events += fmt.Sprintf(`,{"name":"notification-event","part":[{"name":"event-number","valueString":"%d"},{"name":"focus","valueReference":{"reference":"Appointment/a"}}]}`, n)
		}
		fmt.Fprint(w, `{"resourceType":"Bundle","type":"history","entry":[{"resource":{"resourceType":"Parameters","parameter":[{"name":"type","valueCode":"query-event"}`+events+`]}}]}`)
	}))
	defer server.Close()
	client, err := fhirhttp.New(fhirhttp.Config{Base: server.URL + "/fhir"})
	require.NoError(t, err)
	defer client.Close()
	var numbers []int64
	fetch := func(subscription string, from, to int64) error {
		numbers = nil
		return MissedEvents(context.Background(), client, subscription, from, to, func(body []byte) error {
			n, err := fhirmap.DecodeNotification(body, fhirmap.Options{})
			for _, e := range n.Events {
				numbers = append(numbers, e.Number)
			}
			return err
		})
	}
	require.NoError(t, fetch("Subscription/s", 3, 5))
	require.Equal(t, []int64{3, 4, 5}, numbers)
	require.Equal(t, []string{
		"/fhir/Subscription/s/$events?eventsSinceNumber=3&eventsUntilNumber=5&content=id-only",
		"/fhir/Subscription/s/$events?eventsSinceNumber=5&eventsUntilNumber=5&content=id-only",
	}, asked)
	require.NoError(t, fetch(server.URL+"/fhir/Subscription/s", 8, 8))
	require.Error(t, fetch("Subscription/s", 8, 10))
	require.Equal(t, []int64{8}, numbers, "what there is")
	asked = nil
	for _, other := range []string{"https://other.example/fhir/Subscription/s", "Patient/p", "", "urn:uuid:x"} {
		require.Error(t, fetch(other, 1, 2))
	}
	require.Empty(t, asked)
	stop := errors.New("stop")
	require.ErrorIs(t, MissedEvents(t.Context(), client, "Subscription/s", 1, 9, func([]byte) error { return stop }), stop)
}

// Subscribing at a FHIR server that nobody here wrote: one Subscription, kept and renewed however often, valid for two validators.
func TestInteropSubscribe(t *testing.T) {
	for name, options := range map[string]peertest.Options{"we choose the id": {}, "the server chooses it": {NoUpdateCreate: true}} {
		t.Run(name, func(t *testing.T) {
			peer := peertest.Server(t, options)
			client, err := fhirhttp.New(fhirhttp.Config{Base: peer.Base})
			require.NoError(t, err)
			defer client.Close()
			now := time.Now()
			o := SubscribeOptions{
				Endpoint: hookURL, Secret: func() ([]byte, error) { return []byte("invented-secret"), nil },
				Names: fhirmap.Names{Canonical: fhirmap.DefaultCanonical}, Now: func() time.Time { return now },
			}
			first, err := Subscribe(t.Context(), client, o)
			require.NoError(t, err)
			require.NotEmpty(t, first)
			stands := peer.All(t, "Subscription")
			require.Len(t, stands, len(first))
			peertest.Validate(t, stands...)
			again, err := Subscribe(t.Context(), client, o)
			require.NoError(t, err)
			require.Equal(t, first, again)
			require.Equal(t, stands, peer.All(t, "Subscription"), "nothing is written twice")
			now = now.AddDate(1, 0, 0)
			again, err = Subscribe(t.Context(), client, o)
			require.NoError(t, err)
			require.Equal(t, first, again, "renewed, not made anew")
			require.Len(t, peer.All(t, "Subscription"), len(first))
		})
	}
}
