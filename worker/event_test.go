package worker

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/hl7v2"
)

// notice is a subscription notification in the R4 form of the backport guide, about one focus or none.
func notice(kind, focus string) string {
	event := ""
	if focus != "" {
		event = fmt.Sprintf(`,{"name":"notification-event","part":[{"name":"event-number","valueString":"7"},{"name":"focus","valueReference":{"reference":%q}}]}`, focus)
	}
	return fmt.Sprintf(`{"resourceType":"Bundle","type":"history","entry":[{"resource":{"resourceType":"Parameters","parameter":[`+
		`{"name":"subscription","valueReference":{"reference":"Subscription/s"}},{"name":"status","valueCode":"active"},{"name":"type","valueCode":%q},`+
		`{"name":"events-since-subscription-start","valueString":"7"}%s]}}]}`, kind, event)
}

func cloudEvent(data string) string {
	return `{"specversion":"1.0","id":"1","source":"urn:x","type":"booking","datacontenttype":"application/json","data":` + data + `}`
}

// Every form in which a booking may arrive says the same: whose record to look at.
func TestEventsOfEveryForm(t *testing.T) {
	const base = "https://fhir.clinic.example/r4"
	o := fhirmap.Options{Bases: []string{base}}
	message := `{"resourceType":"Bundle","type":"message","entry":[{"resource":{"resourceType":"MessageHeader","id":"m","eventCoding":{"system":"urn:e","code":"booked"},` +
		`"source":{"endpoint":"urn:x"},"focus":[{"reference":"Appointment/a"}]}}]}`
	appointment := []nudge{{appointment: "Appointment/a"}}
	for name, c := range map[string]struct {
		payload string
		want    []nudge
		reason  Reason
	}{
		"a reference": {`{"reference":"Appointment/a"}`, appointment, ""},
		"an Appointment with a name in another encoding": {
			`{"resourceType":"Appointment","id":"a","status":"booked","participant":[{"actor":{"reference":"Patient/p","display":"M` + "\xfc" + `ller"}}]}`, appointment, "",
		},
		"an Appointment with two ids":   {`{"resourceType":"Appointment","id":"a","id":"b","status":"booked"}`, nil, ReasonUnreadable},
		"two references":                {`{"reference":"Appointment/a","reference":"Appointment/b"}`, nil, ReasonUnreadable},
		"a notification":                {notice("event-notification", "Appointment/a"), appointment, ""},
		"a notification with addresses": {notice("event-notification", base+"/Appointment/a"), appointment, ""},
		"a notification of a patient":   {notice("event-notification", "Patient/p"), []nudge{{patients: []string{"Patient/p"}}}, ""},
		"one that says not what":        {notice("event-notification", ""), []nudge{{sweep: true}}, ""},
		"one about another server":      {notice("event-notification", "https://elsewhere.example/Appointment/a"), []nudge{{sweep: true}}, ""},
		"a heartbeat":                   {notice("heartbeat", ""), nil, ""},
		"a FHIR message":                {message, appointment, ""},
		"a CloudEvent":                  {cloudEvent(`{"reference":"Appointment/a"}`), appointment, ""},
		"a CloudEvent of a notice":      {cloudEvent(notice("event-notification", "Appointment/a")), appointment, ""},
		"a CloudEvent in another":       {cloudEvent(cloudEvent(`{"reference":"Appointment/a"}`)), nil, ReasonUnreadable},
		"a broken CloudEvent":           {`{"specversion":"1.0"}`, nil, ReasonUnreadable},
		"an HL7 v2 message":             {fmt.Sprintf(siu, "S12", "1"), []nudge{{bookingIDs: []string{"P-1", "F-77"}, patientIDs: []string{"MRN-9"}, message: siuMessage(t, "S12")}}, ""},
		"HL7 v2 of a slot":              {fmt.Sprintf(siu, "S23", "1"), nil, ""},
		"HL7 v2 of another kind":        {fmt.Sprintf(siu, "S99", "1"), nil, ReasonUnsupported},
		"some other Bundle":             {`{"resourceType":"Bundle","type":"collection","entry":[]}`, nil, ReasonUnsupported},
		"a broken notification":         {notice("no-such-type", ""), nil, ReasonUnreadable},
	} {
		got, err := decodeEvent([]byte(c.payload), o)
		if c.reason != "" {
			require.Equal(t, c.reason, settle(err, 1).reason, name)
			continue
		}
		require.NoError(t, err, name)
		require.Equal(t, c.want, got, name)
	}
}

// A notification that names nothing makes the sweep find what changed.
func TestNotificationWithoutContentSweeps(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	c.run(func() {
		c.swept(w)
		c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
		c.publish("clinic.booking.x", notice("event-notification", ""), "1")
		require.Eventually(t, func() bool { return len(c.all("Flag", `"active"`)) == 1 }, 30*time.Second, 20*time.Millisecond)
	}, w)
}

func siuMessage(t *testing.T, event string) *hl7v2.Message {
	m, err := hl7v2.Parse([]byte(fmt.Sprintf(siu, event, "1")))
	require.NoError(t, err)
	return &m
}
