package fhirmap

import (
	"encoding/base64"
	"fmt"
	"strings"
	"testing"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const (
	here  = "https://here.example/fhir"
	topic = "https://here.example/fhir/SubscriptionTopic/booking"
)

// The notifications below follow the examples of the Subscriptions R5 Backport guide
// (hl7.org/fhir/uv/subscriptions-backport, backport-subscription-notification-r4), rewritten for invented bookings.

// notificationR4 is a Bundle whose first entry holds Parameters.
func notificationR4(typ, since string, parameters []string, entries ...string) string {
	all := append([]string{
		`{"name":"subscription","valueReference":{"reference":"` + here + `/Subscription/bookings"}}`,
		`{"name":"topic","valueCanonical":"` + topic + `"}`,
		`{"name":"status","valueCode":"active"}`,
		`{"name":"type","valueCode":"` + typ + `"}`,
		`{"name":"events-since-subscription-start","valueString":"` + since + `"}`,
	}, parameters...)
	status := `{"fullUrl":"urn:uuid:0b0c4b4e-7a3b-4c53-9d37-0d6b1d0c0001","resource":{"resourceType":"Parameters","id":"0b0c4b4e-7a3b-4c53-9d37-0d6b1d0c0001",
		"meta":{"profile":["http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription-status-r4"]},
		"parameter":[` + strings.Join(all, ",") + `]},"request":{"method":"GET","url":"` + here + `/Subscription/bookings/$status"},"response":{"status":"200"}}`
	return `{"resourceType":"Bundle","id":"n","type":"history","timestamp":"2026-03-02T08:00:00Z","entry":[` + strings.Join(append([]string{status}, entries...), ",") + `]}`
}

func eventR4(number string, parts ...string) string {
	all := append([]string{`{"name":"event-number","valueString":"` + number + `"}`, `{"name":"timestamp","valueInstant":"2026-03-02T08:00:00.5Z"}`}, parts...)
	return `{"name":"notification-event","part":[` + strings.Join(all, ",") + `]}`
}

func partR4(name, ref string) string {
	return `{"name":"` + name + `","valueReference":{"reference":"` + ref + `"}}`
}

// sent is an entry with a full resource.
func sent(fullURL, resource string) string {
	return `{"fullUrl":"` + fullURL + `","resource":` + resource + `,"request":{"method":"POST","url":"x"},"response":{"status":"201"}}`
}

const bookedForP = `{"resourceType":"Appointment","id":"a1","status":"booked","participant":[{"actor":{"reference":"Location/l"}},{"actor":{"reference":"Patient/p"}}]}`

// notificationR4B is the same as a SubscriptionStatus.
func notificationR4B(bundleType, status string, entries ...string) string {
	return `{"resourceType":"Bundle","type":"` + bundleType + `","entry":[` + strings.Join(append([]string{
		`{"fullUrl":"urn:uuid:0b0c4b4e-7a3b-4c53-9d37-0d6b1d0c0002","resource":{"resourceType":"SubscriptionStatus","status":"active",` + status + `}}`,
	}, entries...), ",") + `]}`
}

func pointer(base, ref string) Pointer { return Pointer{Reference: ref, Base: base} }

func TestDecodeNotification(t *testing.T) {
	at := "2026-03-02T08:00:00.5Z"
	whole := Notification{Type: EventNotification, Subscription: here + "/Subscription/bookings", Topic: topic, EventsSinceStart: 2}
	with := func(events ...NotificationEvent) Notification {
		n := whole
		n.Events = events
		return n
	}
	booking, patient := pointer(here, "Appointment/a1"), pointer(here, "Patient/p")
	focus := partR4("focus", here+"/Appointment/a1")
	for name, c := range map[string]struct {
		body string
		want Notification
	}{
		"handshake": {
			notificationR4("handshake", "0", nil),
			Notification{Type: Handshake, Subscription: whole.Subscription, Topic: topic},
		},
		"heartbeat": {
			notificationR4("heartbeat", "2", nil),
			Notification{Type: Heartbeat, Subscription: whole.Subscription, Topic: topic, EventsSinceStart: 2},
		},
		"status with an error": {
			notificationR4("query-status", "3", []string{`{"name":"error","valueCodeableConcept":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/subscription-error","code":"no-response"}]}}`}),
			Notification{Type: QueryStatus, Subscription: whole.Subscription, Topic: topic, EventsSinceStart: 3, Errors: []string{"no-response"}},
		},
		"empty": {notificationR4("event-notification", "2", []string{eventR4("2")}), with(NotificationEvent{Number: 2, Timestamp: at})},
		"empty, with authorization": {
			notificationR4("event-notification", "2", []string{eventR4("2",
				`{"name":"authorization-type","valueCoding":{"system":"https://here.example/auth","code":"token"}}`, `{"name":"authorization-value","valueString":"secret"}`)}),
			with(NotificationEvent{Number: 2, Timestamp: at}),
		},
		"id only": {notificationR4("event-notification", "2", []string{eventR4("2", focus)}), with(NotificationEvent{Number: 2, Timestamp: at, Focus: booking})},
		"id only, relative, with a version": {
			notificationR4("event-notification", "2", []string{eventR4("2", partR4("focus", "Appointment/a1/_history/7"))}),
			with(NotificationEvent{Number: 2, Timestamp: at, Focus: pointer("", "Appointment/a1")}),
		},
		"id only, with a related query": {
			notificationR4("event-notification", "2", []string{eventR4("2", focus,
				`{"name":"related-query","part":[{"name":"query-type","valueCoding":{"code":"x"}},{"name":"query","valueString":"`+here+`/MedicationRequest?patient=p"}]}`)}),
			with(NotificationEvent{Number: 2, Timestamp: at, Focus: booking}),
		},
		"id only, two events and context": {
			notificationR4("event-notification", "2", []string{eventR4("1", partR4("focus", "Condition/c")), eventR4("2", focus, partR4("additional-context", here+"/Patient/p"))}),
			with(NotificationEvent{Number: 1, Timestamp: at, Focus: pointer("", "Condition/c")},
				NotificationEvent{Number: 2, Timestamp: at, Focus: booking, Additional: []Pointer{patient}}),
		},
		"full resource: the booking's patient": {
			notificationR4("event-notification", "2", []string{eventR4("2", focus)}, sent(here+"/Appointment/a1", bookedForP)),
			with(NotificationEvent{Number: 2, Timestamp: at, Focus: booking, Additional: []Pointer{patient}}),
		},
		"full resource: the subject of a history resource": {
			notificationR4("event-notification", "2", []string{eventR4("2", partR4("focus", here+"/Condition/c"))},
				sent(here+"/Condition/c", `{"resourceType":"Condition","id":"c","subject":{"reference":"Patient/p"}}`)),
			with(NotificationEvent{Number: 2, Timestamp: at, Focus: pointer(here, "Condition/c"), Additional: []Pointer{patient}}),
		},
		"full resource: the patient of an intolerance": {
			notificationR4("event-notification", "2", []string{eventR4("2", partR4("focus", "AllergyIntolerance/c"))},
				sent("urn:uuid:0b0c4b4e-7a3b-4c53-9d37-0d6b1d0c0003", `{"resourceType":"AllergyIntolerance","id":"c","patient":{"reference":"https://there.example/Patient/p"}}`)),
			with(NotificationEvent{Number: 2, Timestamp: at, Focus: pointer("", "AllergyIntolerance/c"), Additional: []Pointer{pointer("https://there.example", "Patient/p")}}),
		},
		"full resource without a focus": {
			notificationR4("event-notification", "2", []string{eventR4("1"), eventR4("2")}, sent(here+"/Appointment/a1", bookedForP),
				sent("urn:uuid:0b0c4b4e-7a3b-4c53-9d37-0d6b1d0c0004", `{"resourceType":"Patient","id":"q"}`), sent(here+"/Location/l", `{"resourceType":"Location","id":"l"}`)),
			with(NotificationEvent{Number: 1, Timestamp: at, Focus: booking, Additional: []Pointer{patient}},
				NotificationEvent{Number: 2, Timestamp: at, Focus: pointer("", "Patient/q"), Additional: []Pointer{pointer(here, "Location/l")}}),
		},
		"resources without any event": {
			notificationR4("event-notification", "2", nil, sent(here+"/Appointment/a1", bookedForP), sent(here+"/Appointment/a2", `{"resourceType":"Appointment","id":"a2"}`),
				sent("", `{"resourceType":"OperationOutcome","id":"o"}`)),
			with(NotificationEvent{Focus: booking, Additional: []Pointer{pointer(here, "Appointment/a2"), patient}}),
		},
		"a focus inside the Bundle": {
			notificationR4("event-notification", "2", []string{eventR4("2", partR4("focus", "urn:uuid:0b0c4b4e-7a3b-4c53-9d37-0d6b1d0c0005"))},
				sent("urn:uuid:0b0c4b4e-7a3b-4c53-9d37-0d6b1d0c0005", bookedForP)),
			with(NotificationEvent{Number: 2, Timestamp: at, Focus: pointer("", "Appointment/a1"), Additional: []Pointer{pointer("", "Patient/p")}}),
		},
		"counts of another type": {
			strings.NewReplacer(`"valueString":"2"`, `"valueInteger":2`).Replace(notificationR4("event-notification", "2", []string{eventR4("2", focus)})),
			with(NotificationEvent{Number: 2, Timestamp: at, Focus: booking}),
		},
		"R4B": {
			notificationR4B("history", `"type":"event-notification","eventsSinceSubscriptionStart":"2","subscription":{"reference":"`+here+`/Subscription/bookings"},"topic":"`+topic+`",
				"notificationEvent":[{"eventNumber":"2","timestamp":"`+at+`","focus":{"reference":"`+here+`/Appointment/a1"},"additionalContext":[{"reference":"`+here+`/Patient/p"}]}]`),
			with(NotificationEvent{Number: 2, Timestamp: at, Focus: booking, Additional: []Pointer{patient}}),
		},
		"R5, nothing said that need not be": {
			notificationR4B("subscription-notification", `"type":"heartbeat","error":[{"coding":[{"code":"a"},{"code":"b"}]},{"text":"x"}]`),
			Notification{Type: Heartbeat, EventsSinceStart: -1, Errors: []string{"a", "b"}},
		},
	} {
		t.Run(name, func(t *testing.T) {
			n, err := DecodeNotification([]byte(c.body), Options{})
			require.NoError(t, err)
			require.Equal(t, c.want, n)
		})
	}
	n, err := DecodeNotification([]byte(notificationR4("handshake", "0", nil)), Options{Bases: []string{here + "/"}})
	require.NoError(t, err)
	require.Equal(t, "Subscription/bookings", n.Subscription)
}

func TestPointer(t *testing.T) {
	for ref, want := range map[string]Pointer{
		"Appointment/a":                             pointer("", "Appointment/a"),
		"https://a.example/Appointment/a":           pointer("https://a.example", "Appointment/a"),
		"https://a.example//Patient/p":              pointer("https://a.example", "Patient/p"),
		"http://a.example:80/x/y/Patient/p":         pointer("http://a.example:80/x/y", "Patient/p"),
		"https://a.example/r4/Patient/p/_history/2": pointer("https://a.example/r4", "Patient/p"),
		"": {}, "#p": {}, "p": {}, "Patient/": {}, "/Patient/p": {}, "Patient/..": {}, "Patient/p/x": {}, "Patient?identifier=x|y": {}, "Patient/p?x=y": {},
		"urn:uuid:0b0c4b4e-7a3b-4c53-9d37-0d6b1d0c0005": {}, "https://Patient/p": {}, "https:///x/Patient/p": {}, "ftp://a.example/Patient/p": {},
		"https://u:p@a.example/Patient/p": {}, "https://a.example?x=/Patient/p": {}, "https://a.example#/Patient/p": {}, "https://": {}, "https://x": {}, "://Patient/p": {},
	} {
		p, ok := parsePointer(ref)
		require.Equal(t, want, p, ref)
		require.Equal(t, want != Pointer{}, ok, ref)
	}
	bases := []string{here + "/", "https://alias.example"}
	require.Equal(t, "Patient/p", pointer("", "Patient/p").Local(bases))
	require.Equal(t, "Patient/p", pointer(here, "Patient/p").Local(bases))
	require.Equal(t, "Patient/p", pointer("https://alias.example", "Patient/p").Local(bases))
	require.Empty(t, pointer("https://there.example", "Patient/p").Local(bases))
	require.Empty(t, Pointer{}.Local(bases))
}

func messageOf(header string, entries ...string) string {
	return `{"resourceType":"Bundle","type":"message","entry":[` +
		strings.Join(append([]string{sent("urn:uuid:0b0c4b4e-7a3b-4c53-9d37-0d6b1d0c0006", `{"resourceType":"MessageHeader","source":{"endpoint":"`+here+`"},`+header+`}`)}, entries...), ",") + `]}`
}

func TestDecodeMessage(t *testing.T) {
	inside := "urn:uuid:0b0c4b4e-7a3b-4c53-9d37-0d6b1d0c0007"
	for name, c := range map[string]struct {
		body string
		want Message
	}{
		"focus inside": {
			messageOf(`"id":"m","eventCoding":{"system":"https://here.example/events","code":"booked"},"focus":[{"reference":"`+inside+`"}]`, sent(inside, bookedForP), sent("", `{"resourceType":"Patient","id":"p"}`)),
			Message{ID: "m", Event: "https://here.example/events|booked", Focus: []Pointer{pointer("", "Appointment/a1")}, Additional: []Pointer{pointer("", "Patient/p")}},
		},
		"focus absolute": {
			messageOf(`"eventUri":"https://here.example/booked","focus":[{"reference":"` + here + `/Appointment/a1"},{"reference":"` + here + `/Patient/p"}]`),
			Message{Event: "https://here.example/booked", Focus: []Pointer{pointer(here, "Appointment/a1"), pointer(here, "Patient/p")}},
		},
		"no focus": {
			messageOf(`"id":"m"`, sent(here+"/Appointment/a1", bookedForP), sent(here+"/Location/l", `{"resourceType":"Location","id":"l"}`), sent("", `{"resourceType":"Patient","id":"q"}`)),
			Message{ID: "m", Focus: []Pointer{pointer(here, "Appointment/a1"), pointer("", "Patient/q")}, Additional: []Pointer{pointer(here, "Patient/p")}},
		},
		"a booking that has no id yet": {
			messageOf(`"id":"m","focus":[{"reference":"`+inside+`"}]`, sent(inside, `{"resourceType":"Appointment","participant":[{"actor":{"reference":"Patient/p"}}]}`)),
			Message{ID: "m", Additional: []Pointer{pointer("", "Patient/p")}},
		},
	} {
		t.Run(name, func(t *testing.T) {
			m, err := DecodeMessage([]byte(c.body), Options{})
			require.NoError(t, err)
			require.Equal(t, c.want, m)
		})
	}
}

func TestDecodeCloudEvent(t *testing.T) {
	const hl7 = "MSH|^~\\&|A|B\rSCH|1"
	envelope := `{"specversion":"1.0","id":"1","source":"/scheduling","type":"example.booked",`
	for name, c := range map[string]struct{ rest, contentType, data string }{
		"JSON":            {`"data": {"resourceType":"Appointment","id":"a"} }`, "", `{"resourceType":"Appointment","id":"a"}`},
		"JSON, named":     {`"datacontenttype":"application/fhir+json","data":{"reference":"Patient/p"}}`, "application/fhir+json", `{"reference":"Patient/p"}`},
		"text":            {`"datacontenttype":"text/plain","data":"MSH|^~\\&|A|B\rSCH|1"}`, "text/plain", hl7},
		"base64":          {`"datacontenttype":"application/hl7-v2","data_base64":"` + base64.StdEncoding.EncodeToString([]byte(hl7)) + `"}`, "application/hl7-v2", hl7},
		"a null beside":   {`"data":null,"data_base64":"e30="}`, "", "{}"},
		"another in it":   {`"data":{"specversion":"1.0","data":7}}`, "", `{"specversion":"1.0","data":7}`},
		"more attributes": {`"subject":"x","time":"2026-03-02T08:00:00Z","traceparent":"y","data":{}}`, "", "{}"},
	} {
		t.Run(name, func(t *testing.T) {
			e, err := DecodeCloudEvent([]byte(envelope + c.rest))
			require.NoError(t, err)
			require.Equal(t, CloudEvent{ID: "1", Source: "/scheduling", Type: "example.booked", ContentType: c.contentType, Data: []byte(c.data)}, e)
		})
	}
}

// What is of another kind is told apart from what is broken, so that a body can be offered to one decoder after the other.
func TestOtherKindOrBroken(t *testing.T) {
	decoders := map[string]func([]byte) error{
		"notification": func(b []byte) error { _, err := DecodeNotification(b, Options{}); return err },
		"message":      func(b []byte) error { _, err := DecodeMessage(b, Options{}); return err },
		"cloud event":  func(b []byte) error { _, err := DecodeCloudEvent(b); return err },
	}
	other := map[string]error{"notification": ErrNotNotification, "message": ErrNotMessage, "cloud event": ErrNotCloudEvent}
	notification, message := notificationR4("event-notification", "2", []string{eventR4("2", partR4("focus", "Appointment/secret"))}), messageOf(`"focus":[{"reference":"Appointment/secret"}]`)
	for name, c := range map[string]struct {
		body string
		// kind is the decoder that this is broken for; "" for none, "all" for all.
		kind string
	}{
		"a booking": {bookedForP, ""}, "a reference": {`{"reference":"Appointment/secret"}`, ""}, "HL7 v2": {"MSH|^~\\&|secret", ""}, "nothing": {"", ""}, "a list": {"[]", ""},
		"a page": {string(page(bookedForP)), ""}, "a history": {`{"resourceType":"Bundle","type":"history","entry":[{"resource":` + bookedForP + `}]}`, ""},
		"an empty history": {`{"resourceType":"Bundle","type":"history"}`, ""}, "an empty message": {`{"resourceType":"Bundle","type":"message","entry":[]}`, ""},
		"Parameters of a search":    {`{"resourceType":"Bundle","type":"searchset","entry":[{"resource":{"resourceType":"Parameters"}}]}`, ""},
		"not JSON":                  {`{"secret"`, "all"},
		"no type":                   {strings.Replace(notification, `"name":"type"`, `"name":"x"`, 1), "notification"},
		"a type of nobody":          {strings.Replace(notification, `"event-notification"`, `"secret"`, 1), "notification"},
		"a count that is none":      {strings.Replace(notification, `"valueString":"2"`, `"valueString":"secret"`, 1), "notification"},
		"a negative count":          {strings.Replace(notification, `"valueString":"2"`, `"valueString":"-2"`, 1), "notification"},
		"a count without value":     {strings.Replace(notification, `"valueString":"2"`, `"valueX":"2"`, 1), "notification"},
		"an event without a count":  {strings.Replace(notification, `"event-number","valueString":"2"`, `"event-number"`, 1), "notification"},
		"a name given twice":        {strings.Replace(notification, `"valueString":"2"`, `"valueString":"2","valueString":"secret"`, 1), "notification"},
		"parameters are no list":    {strings.Replace(notification, `"parameter":[`, `"parameter":7,"x":[`, 1), "notification"},
		"a status too deep":         {strings.Replace(notification, `"parameter":[`, `"extension":`+strings.Repeat("[", 70)+strings.Repeat("]", 70)+`,"parameter":[`, 1), "notification"},
		"R4B, a count that is none": {notificationR4B("history", `"type":"heartbeat","eventsSinceSubscriptionStart":{}`), "notification"},
		"a header of wrong type":    {messageOf(`"eventUri":7`), "message"},
		"an event of wrong type":    {messageOf(`"eventCoding":"secret"`), "message"},
		"another version":           {`{"specversion":"0.3","data":"secret"}`, "cloud event"},
		"version of wrong type":     {`{"specversion":1,"data":"secret"}`, "cloud event"},
		"no data":                   {`{"specversion":"1.0","id":"secret"}`, "cloud event"},
		"data null":                 {`{"specversion":"1.0","data":null}`, "cloud event"},
		"data twice":                {`{"specversion":"1.0","data":"secret","data_base64":"e30="}`, "cloud event"},
		"base64 that is none":       {`{"specversion":"1.0","data_base64":"secret!"}`, "cloud event"},
		"base64 of wrong type":      {`{"specversion":"1.0","data_base64":{}}`, "cloud event"},
		"a name twice in data":      {`{"specversion":"1.0","data":{"secret":1,"secret":2}}`, "cloud event"},
		"broken UTF-8":              {"{\"specversion\":\"1.0\",\"data\":\"\xff\"}", "cloud event"},
		"cut short":                 {notification[:len(notification)-3], "all"},
		"a message cut short":       {message[:len(message)-3], "all"},
	} {
		for kind, decode := range decoders {
			err := decode([]byte(c.body))
			require.Error(t, err, "%s as %s", name, kind)
			require.NotContains(t, err.Error(), "secret")
			if c.kind == kind || c.kind == "all" {
				require.NotErrorIs(t, err, other[kind], "%s as %s", name, kind)
			} else if !strings.Contains(name, "twice") && name != "broken UTF-8" { // the envelope's strictness reaches into every body
				require.ErrorIs(t, err, other[kind], "%s as %s", name, kind)
			}
		}
	}
}

// What one small body can make of memory and time is bounded.
func TestNotificationLimits(t *testing.T) {
	event := eventR4("1", partR4("focus", "Appointment/a1"))
	events := strings.TrimSuffix(strings.Repeat(event+",", 50), ",")
	many := strings.TrimSuffix(strings.Repeat(`{"actor":{"reference":"Patient/p%"}},`, 50), ",")
	for i := range 50 {
		many = strings.Replace(many, "%", fmt.Sprint(i), 1)
	}
	full := notificationR4("event-notification", "1", []string{events}, sent(here+"/Appointment/a1", `{"resourceType":"Appointment","id":"a1","participant":[`+many+`]}`))
	n, err := DecodeNotification([]byte(full), Options{})
	require.NoError(t, err)
	require.Len(t, n.Events, 50)
	for _, e := range n.Events {
		require.Len(t, e.Additional, subjectsOfOne)
	}
	_, err = DecodeNotification([]byte(full), Options{Limits: Limits{Entries: 49}})
	require.ErrorIs(t, err, errLimit)
	_, err = DecodeNotification([]byte(full), Options{Limits: Limits{Entries: 1}})
	require.ErrorIs(t, err, errLimit)
}

// The names of an envelope and of an entry are bounded, since each is looked for among those before it.
func TestEnvelopeNamesAreBounded(t *testing.T) {
	names := func(n int) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, `"x%d":0,`, i)
		}
		return b.String()
	}
	walked := 0
	walk := func(body string) error {
		walked = 0
		_, err := WalkBundle([]byte(body), Limits{}, func(BundleEntry) error { walked++; return nil })
		return err
	}
	require.NoError(t, walk(`{`+names(maxMembers-2)+`"resourceType":"Bundle","entry":[{`+names(maxMembers-1)+`"fullUrl":"x"},{}]}`))
	require.Equal(t, 2, walked)
	require.ErrorIs(t, walk(`{`+names(maxMembers)+`"resourceType":"Bundle"}`), errPage)
	require.ErrorIs(t, walk(`{"resourceType":"Bundle","entry":[{`+names(maxMembers)+`"fullUrl":"x"}]}`), errPage)
	require.Zero(t, walked)
	require.NoError(t, walk(`{"resourceType":"Bundle","entry":[{"resource":{`+names(80000)+`"resourceType":"Patient"}}]}`), "a resource is bounded by its decoder")
	require.ErrorIs(t, walk(`{"resourceType":"Bundle","x":0,"x":1}`), errPage)
}

// Whatever number of resources is sent along, each is pointed to once or named by an event.
func TestEveryResourceSentIsPointedTo(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		events, resources := rapid.IntRange(0, 5).Draw(rt, "events"), rapid.IntRange(0, 8).Draw(rt, "resources")
		var parameters, entries []string
		for i := range events {
			var parts []string
			if focus := rapid.IntRange(-1, 9).Draw(rt, "focus"); focus >= 0 {
				parts = append(parts, partR4("focus", fmt.Sprintf("Appointment/a%d", focus)))
			}
			parameters = append(parameters, eventR4(fmt.Sprint(i+1), parts...))
		}
		for i := range resources {
			entries = append(entries, sent(fmt.Sprintf("Appointment/a%d", i), fmt.Sprintf(`{"resourceType":"Appointment","id":"a%d"}`, i)))
		}
		n, err := DecodeNotification([]byte(notificationR4("event-notification", "5", parameters, entries...)), Options{})
		require.NoError(rt, err)
		found := map[string]bool{}
		for _, e := range n.Events {
			for _, p := range append([]Pointer{e.Focus}, e.Additional...) {
				found[p.Reference] = true
			}
		}
		for i := range resources {
			require.True(rt, found[fmt.Sprintf("Appointment/a%d", i)], i)
		}
		require.GreaterOrEqual(rt, len(n.Events), events)
	})
}

func pointsWell(t *testing.T, ps ...Pointer) {
	t.Helper()
	for _, p := range ps {
		if p == (Pointer{}) {
			continue
		}
		if again, ok := parsePointer(strings.TrimPrefix(p.Base+"/"+p.Reference, "/")); !ok || again != p {
			t.Fatalf("%+v is read again as %+v", p, again)
		}
	}
}

// A notification is read into references that lead somewhere, or refused.
func FuzzDecodeNotification(f *testing.F) {
	f.Add([]byte(notificationR4("handshake", "0", nil)))
	f.Add([]byte(notificationR4("query-status", "3", []string{`{"name":"error","valueCodeableConcept":{"coding":[{"code":"no-response"}]}}`})))
	f.Add([]byte(notificationR4("event-notification", "2", []string{eventR4("1"), eventR4("2", partR4("focus", here+"/Appointment/a1"), partR4("additional-context", "Patient/p"))},
		sent(here+"/Appointment/a1", bookedForP), sent("urn:uuid:x", `{"resourceType":"Condition","id":"c","subject":{"reference":"urn:uuid:y"}}`))))
	f.Add([]byte(notificationR4B("history", `"type":"query-event","eventsSinceSubscriptionStart":"2","notificationEvent":[{"eventNumber":2,"focus":{"reference":"Appointment/a1"}}]`)))
	f.Fuzz(func(t *testing.T, body []byte) {
		n, err := DecodeNotification(body, Options{})
		if err != nil {
			return
		}
		require.Contains(t, notificationTypes, n.Type)
		require.GreaterOrEqual(t, n.EventsSinceStart, int64(-1))
		for _, e := range n.Events {
			require.GreaterOrEqual(t, e.Number, int64(0))
			pointsWell(t, append(e.Additional, e.Focus)...)
		}
	})
}

func FuzzDecodeMessage(f *testing.F) {
	f.Add([]byte(messageOf(`"id":"m","eventCoding":{"code":"booked"},"focus":[{"reference":"urn:uuid:a"}]`, sent("urn:uuid:a", bookedForP))))
	f.Add([]byte(messageOf(`"eventUri":"x"`, sent("https://a.example/Patient/p", `{"resourceType":"Patient","id":"p"}`))))
	f.Fuzz(func(t *testing.T, body []byte) {
		m, err := DecodeMessage(body, Options{})
		if err != nil {
			require.Empty(t, m)
			return
		}
		pointsWell(t, append(m.Focus, m.Additional...)...)
	})
}

func FuzzDecodeCloudEvent(f *testing.F) {
	f.Add([]byte(`{"specversion":"1.0","id":"1","source":"s","type":"t","datacontenttype":"application/json","data":{"reference":"Patient/p"}}`))
	f.Add([]byte(`{"specversion":"1.0","data_base64":"TVNIfF5+XCZ8"}`))
	f.Add([]byte(`{"specversion":"1.0","data":"MSH|^~\\&|"}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		e, err := DecodeCloudEvent(body)
		if err != nil {
			require.Nil(t, e.Data)
			return
		}
		if !jsontext.Value(body).IsValid() {
			t.Fatal("read, and not JSON")
		}
	})
}
