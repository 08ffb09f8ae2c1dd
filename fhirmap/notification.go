package fhirmap

import (
	"cmp"
	"encoding/base64"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"pupilrisk/rules"
)

// A body that is of another kind than the decoder's is refused with one of these; any other error is a body of that kind
// which is broken. No error holds anything of its content.
var (
	ErrNotNotification = errors.New("not a subscription notification")
	ErrNotMessage      = errors.New("not a FHIR message")
	ErrNotCloudEvent   = errors.New("not a CloudEvent")
)

// NotificationType is what a notification is sent for (hl7.org/fhir/ValueSet/subscription-notification-type).
type NotificationType string

const (
	Handshake         NotificationType = "handshake"
	Heartbeat         NotificationType = "heartbeat"
	EventNotification NotificationType = "event-notification"
	QueryStatus       NotificationType = "query-status"
	QueryEvent        NotificationType = "query-event"
)

var notificationTypes = []NotificationType{Handshake, Heartbeat, EventNotification, QueryStatus, QueryEvent}

// Notification is what a topic-based subscription sends (hl7.org/fhir/uv/subscriptions-backport, notifications).
type Notification struct {
	Type NotificationType
	// Subscription is a reference: relative if it leads into this server, else as it came; "" if the server names none.
	Subscription string
	Topic        string
	// EventsSinceStart counts every event of the subscription up to this notification, delivered or not; -1 where the server
	// does not say.
	EventsSinceStart int64
	Events           []NotificationEvent
	// Errors are the codes of what the server could not do for the subscription.
	Errors []string
}

// NotificationEvent is one change that a subscription is about.
type NotificationEvent struct {
	// Number counts the events of the subscription, from 1; 0 where the server does not say.
	Number int64
	// Timestamp is when it happened, as the server writes it.
	Timestamp string
	// Focus is what changed; its zero value is an event whose payload is empty.
	Focus Pointer
	// Additional are the other resources named, and the patients that resources sent along are about.
	Additional []Pointer
}

// Pointer says where a resource stands.
type Pointer struct {
	// Reference is relative, Type/id, without a version.
	Reference string
	// Base is the address before it (scheme, host, path without a slash at its end) if the reference was absolute.
	Base string
}

// Local is the relative reference if the pointer leads into the server with these bases, or gives no base; else "".
func (p Pointer) Local(bases []string) string {
	if p.Base == "" {
		return p.Reference
	}
	return localReference(p.Base+"/"+p.Reference, bases)
}

// parsePointer reads a reference. One that names no resource by its id (a query, a fragment, an identifier) has no pointer.
func parsePointer(ref string) (Pointer, bool) {
	ref, _, _ = strings.Cut(ref, "/_history/")
	base := ""
	if strings.Contains(ref, "://") {
		u, err := url.Parse(ref)
		if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil {
			return Pointer{}, false
		}
		id := strings.LastIndexByte(ref, '/')
		typ := strings.LastIndexByte(ref[:id], '/')
		if typ < len(u.Scheme)+len("://")+1 {
			return Pointer{}, false // the host is no type
		}
		base, ref = strings.TrimRight(ref[:typ], "/"), ref[typ+1:]
	}
	if localReference(ref, nil) == "" || strings.ContainsAny(base, "?#") {
		return Pointer{}, false
	}
	return Pointer{Reference: ref, Base: base}, true
}

// letter is a Bundle that is sent: its first entry says why, and the others are what that speaks of.
type letter struct {
	r       *Record
	entries []BundleEntry
	heads   []headJSON
	// held is the place of each resource, by its relative reference.
	held map[string]int
	// subjects are the patients that the resource of an entry is about, once they were looked for.
	subjects map[int][]Pointer
}

// openLetter reads a Bundle of one of the types whose first entry is one of the resources; other is the error for any other
// body.
func openLetter(body []byte, o Options, types, firsts []string, other error) (*letter, error) {
	if jsontext.Value(body).Kind() != '{' {
		return nil, other
	}
	l := &letter{r: NewRecord("", o), held: map[string]int{}, subjects: map[int][]Pointer{}}
	info, err := WalkBundle(body, o.Limits, func(e BundleEntry) error {
		h := head(e.Resource) // a uuid that stands for an id names nothing on any server
		if e.FullURL != "" && h.ResourceType != "" && validID(h.ID) {
			l.r.named = append(l.r.named, alias{e.FullURL, h})
		}
		l.entries, l.heads = append(l.entries, e), append(l.heads, h)
		return nil
	})
	switch {
	case errors.Is(err, errNotBundle):
		return nil, other
	case err != nil:
		return nil, err
	case !slices.Contains(types, info.Type) || len(l.heads) == 0 || !slices.Contains(firsts, l.heads[0].ResourceType):
		return nil, other
	}
	for i := range l.entries {
		if p, ok := l.at(i); ok {
			l.held[p.Reference] = i
		}
	}
	return l, nil
}

// at is where the resource of an entry stands.
func (l *letter) at(i int) (Pointer, bool) {
	if p, ok := parsePointer(l.entries[i].FullURL); ok {
		return p, true
	}
	if h := l.heads[i]; h.ResourceType != "" && h.ID != "" {
		return parsePointer(h.ref())
	}
	return Pointer{}, false
}

// pointer resolves a reference, also one that only means something inside the Bundle.
func (l *letter) pointer(ref referenceJSON) (Pointer, bool) {
	if local := l.r.aliased(ref.Reference); local != "" && strings.HasPrefix(ref.Reference, "urn:") {
		return parsePointer(local)
	}
	return parsePointer(ref.Reference)
}

// subjectsOfOne bounds the patients that one resource is taken to be about.
const subjectsOfOne = 32

// patients are those that the resource of an entry is about. They are a hint: a resource that cannot be read gives none.
func (l *letter) patients(i int) (out []Pointer) {
	var x struct {
		Subject     jsontext.Value   `json:"subject"`
		Patient     jsontext.Value   `json:"patient"`
		Participant []jsontext.Value `json:"participant"`
	}
	if json.Unmarshal(l.entries[i].Resource, &x) != nil {
		return nil
	}
	refs := []jsontext.Value{x.Subject, x.Patient}
	for _, p := range x.Participant {
		var participant struct {
			Actor jsontext.Value `json:"actor"`
		}
		if json.Unmarshal(p, &participant) == nil {
			refs = append(refs, participant.Actor)
		}
	}
	for _, raw := range refs {
		var ref referenceJSON
		if raw.Kind() != '{' || json.Unmarshal(raw, &ref) != nil || len(out) == subjectsOfOne {
			continue
		}
		p, ok := l.pointer(ref)
		if !ok || !ValidReference(p.Reference, "Patient") {
			continue
		}
		if at, ok := l.at(i); ok && p.Base == "" {
			p.Base = at.Base // a relative reference is relative to where it stands
		}
		out = append(out, p)
	}
	return out
}

// statusJSON is a SubscriptionStatus as R4B and R5 have it; the Parameters of R4 are turned into one.
type statusJSON struct {
	Type         string          `json:"type"`
	Subscription referenceJSON   `json:"subscription"`
	Topic        string          `json:"topic"`
	Since        *eventCount     `json:"eventsSinceSubscriptionStart"`
	Events       []eventJSON     `json:"notificationEvent"`
	Errors       []rules.Concept `json:"error"`
}

type eventJSON struct {
	Number     eventCount      `json:"eventNumber"`
	Timestamp  string          `json:"timestamp"`
	Focus      referenceJSON   `json:"focus"`
	Additional []referenceJSON `json:"additionalContext"`
}

// eventCount is a count of events, which R4 and R5 write as a string.
type eventCount int64

func (c *eventCount) UnmarshalJSON(raw []byte) error {
	n, err := strconv.ParseUint(strings.Trim(string(raw), `"`), 10, 63)
	if err != nil {
		return errors.New("not a count")
	}
	*c = eventCount(n)
	return nil
}

// parameterJSON is one parameter of backport-subscription-status-r4.
type parameterJSON struct {
	Name      string        `json:"name"`
	Reference referenceJSON `json:"valueReference"`
	Canonical string        `json:"valueCanonical"`
	URI       string        `json:"valueUri"`
	Code      string        `json:"valueCode"`
	Instant   string        `json:"valueInstant"`
	// Counts are strings in R4; servers have been liberal with the type.
	String   jsontext.Value  `json:"valueString"`
	Integer  jsontext.Value  `json:"valueInteger"`
	Unsigned jsontext.Value  `json:"valueUnsignedInt"`
	Long     jsontext.Value  `json:"valueInteger64"`
	Concept  rules.Concept   `json:"valueCodeableConcept"`
	Part     []parameterJSON `json:"part"`
}

func (p parameterJSON) count() (c eventCount, err error) {
	for _, raw := range []jsontext.Value{p.String, p.Integer, p.Unsigned, p.Long} {
		if raw != nil {
			return c, c.UnmarshalJSON(raw)
		}
	}
	return 0, errors.New("not a count")
}

func subscriptionStatus(parameters []parameterJSON) (s statusJSON, err error) {
	for _, p := range parameters {
		switch p.Name {
		case "subscription":
			s.Subscription = p.Reference
		case "topic":
			s.Topic = cmp.Or(p.Canonical, p.URI)
		case "type":
			s.Type = p.Code
		case "events-since-subscription-start":
			n, err := p.count()
			if err != nil {
				return s, err
			}
			s.Since = &n
		case "error":
			s.Errors = append(s.Errors, p.Concept)
		case "notification-event":
			var e eventJSON
			for _, part := range p.Part {
				switch part.Name {
				case "event-number":
					if e.Number, err = part.count(); err != nil {
						return s, err
					}
				case "timestamp":
					e.Timestamp = part.Instant
				case "focus":
					e.Focus = part.Reference
				case "additional-context":
					e.Additional = append(e.Additional, part.Reference)
				}
			}
			s.Events = append(s.Events, e)
		}
	}
	return s, nil
}

var errNotification = errors.New("broken subscription notification")

// DecodeNotification reads a notification Bundle: type history, first in it Parameters (FHIR R4) or SubscriptionStatus (R4B,
// or R5 with type subscription-notification). Payloads may be empty, ids only, or full resources.
func DecodeNotification(body []byte, o Options) (Notification, error) {
	l, err := openLetter(body, o, []string{"history", "subscription-notification"}, []string{"Parameters", "SubscriptionStatus"}, ErrNotNotification)
	if err != nil {
		return Notification{}, err
	}
	var s statusJSON
	if l.heads[0].ResourceType == "SubscriptionStatus" {
		err = l.r.decodeStrict(l.entries[0].Resource, &s)
	} else {
		var p struct {
			Parameter []parameterJSON `json:"parameter"`
		}
		if err = l.r.decodeStrict(l.entries[0].Resource, &p); err == nil {
			s, err = subscriptionStatus(p.Parameter)
		}
	}
	n := Notification{Type: NotificationType(s.Type), Subscription: s.Subscription.Reference, Topic: s.Topic, EventsSinceStart: -1}
	switch {
	case err != nil:
		return Notification{}, fmt.Errorf("%w: its status", errNotification)
	case !slices.Contains(notificationTypes, n.Type):
		return Notification{}, fmt.Errorf("%w: its type", errNotification)
	case len(s.Events) > l.r.o.Limits.Entries:
		return Notification{}, errLimit
	}
	if local := localReference(n.Subscription, o.Bases); local != "" {
		n.Subscription = local
	}
	if s.Since != nil {
		n.EventsSinceStart = int64(*s.Since)
	}
	for _, e := range s.Errors {
		for _, c := range e.Codes {
			n.Errors = append(n.Errors, c.Code)
		}
	}
	n.Events = l.events(s.Events)
	return n, nil
}

// events resolves what the events point to. A resource that was sent and that no event names belongs to the first event
// without a focus, else to the last: some servers send the resource and no focus.
func (l *letter) events(all []eventJSON) (out []NotificationEvent) {
	named := map[string]bool{}
	for _, e := range all {
		event := NotificationEvent{Number: int64(e.Number), Timestamp: e.Timestamp}
		if p, ok := l.pointer(e.Focus); ok {
			event.Focus, named[p.Reference] = p, true
		}
		for _, ref := range e.Additional {
			if p, ok := l.pointer(ref); ok {
				event.Additional, named[p.Reference] = append(event.Additional, p), true
			}
		}
		out = append(out, event)
	}
	next := 0
	for i := 1; i < len(l.entries); i++ {
		p, ok := l.at(i)
		if !ok || named[p.Reference] || l.heads[i].ResourceType == "OperationOutcome" {
			continue
		}
		named[p.Reference] = true
		for next < len(out) && out[next].Focus != (Pointer{}) {
			next++
		}
		switch {
		case next < len(out):
			out[next].Focus = p
		case len(out) > 0:
			out[len(out)-1].Additional = append(out[len(out)-1].Additional, p)
		default:
			out = append(out, NotificationEvent{Focus: p})
		}
	}
	for i, e := range out {
		out[i].Additional = append(e.Additional, l.about(append([]Pointer{e.Focus}, e.Additional...))...)
	}
	return out
}

// about are the patients, none twice and none of those given, that the resources given are about, as far as they were sent.
func (l *letter) about(all []Pointer) (out []Pointer) {
	seen := map[Pointer]bool{}
	for _, p := range all {
		seen[p] = true
	}
	for _, p := range all {
		i, ok := l.held[p.Reference]
		if !ok {
			continue
		}
		if _, ok := l.subjects[i]; !ok {
			l.subjects[i] = l.patients(i)
		}
		for _, patient := range l.subjects[i] {
			if !seen[patient] {
				seen[patient] = true
				out = append(out, patient)
			}
		}
	}
	return out
}

// Message is what FHIR messaging sends (hl7.org/fhir/R4/messaging.html).
type Message struct {
	// ID is that of the MessageHeader: a message sent again has it again; "" where it has none.
	ID string
	// Event is the URI of what happened, or system|code.
	Event string
	// Focus is what the message is about; where the header names nothing that can be read, every Appointment and Patient in it.
	Focus []Pointer
	// Additional are the patients that the focus is about, as far as it was sent along; also where it has no id to be read by.
	Additional []Pointer
}

// DecodeMessage reads a Bundle of type message, first in it a MessageHeader.
func DecodeMessage(body []byte, o Options) (Message, error) {
	l, err := openLetter(body, o, []string{"message"}, []string{"MessageHeader"}, ErrNotMessage)
	if err != nil {
		return Message{}, err
	}
	var h struct {
		Event rules.Code      `json:"eventCoding"`
		URI   string          `json:"eventUri"`
		Focus []referenceJSON `json:"focus"`
	}
	if l.r.decodeStrict(l.entries[0].Resource, &h) != nil {
		return Message{}, errors.New("broken FHIR message: its header")
	}
	m := Message{ID: l.heads[0].ID, Event: h.URI}
	if says(h.Event) {
		m.Event = h.Event.System + "|" + h.Event.Code
	}
	for _, ref := range h.Focus {
		if p, ok := l.pointer(ref); ok {
			m.Focus = append(m.Focus, p)
		}
	}
	if len(m.Focus) == 0 {
		for i, head := range l.heads {
			if head.ResourceType != "Appointment" && head.ResourceType != "Patient" {
				continue
			}
			if p, ok := l.at(i); ok {
				m.Focus = append(m.Focus, p)
			} else {
				m.Additional = append(m.Additional, l.patients(i)...)
			}
		}
	}
	m.Additional = append(m.Additional, l.about(m.Focus)...)
	return m, nil
}

// CloudEvent is an event in the JSON format of CloudEvents 1.0 (structured mode; github.com/cloudevents/spec).
type CloudEvent struct {
	// ID, Source and Type are as the sender gives them; ID and Source together name the event.
	ID, Source, Type string
	// ContentType is the media type of Data; "" means JSON.
	ContentType string
	// Data is the payload: JSON as it stands in the event, text without its quotes, or decoded from base64. It may itself be
	// of any kind but a CloudEvent.
	Data []byte
}

var errCloudEvent = errors.New("broken CloudEvent")

// DecodeCloudEvent opens the envelope of a CloudEvent: a JSON object with specversion.
func DecodeCloudEvent(body []byte) (CloudEvent, error) {
	if jsontext.Value(body).Kind() != '{' {
		return CloudEvent{}, ErrNotCloudEvent
	}
	var e struct {
		Version     jsontext.Value `json:"specversion"`
		ID          jsontext.Value `json:"id"`
		Source      jsontext.Value `json:"source"`
		Type        jsontext.Value `json:"type"`
		ContentType jsontext.Value `json:"datacontenttype"`
		Data        jsontext.Value `json:"data"`
		Base64      jsontext.Value `json:"data_base64"`
	}
	if json.Unmarshal(body, &e) != nil {
		return CloudEvent{}, fmt.Errorf("%w: its JSON", errCloudEvent)
	}
	data, packed := e.Data != nil && e.Data.Kind() != 'n', e.Base64 != nil && e.Base64.Kind() != 'n'
	switch {
	case e.Version == nil:
		return CloudEvent{}, ErrNotCloudEvent
	case stringOf(e.Version) != "1.0":
		return CloudEvent{}, fmt.Errorf("%w: of another version", errCloudEvent)
	case data == packed:
		return CloudEvent{}, fmt.Errorf("%w: it needs data or data_base64", errCloudEvent)
	}
	out := CloudEvent{ID: stringOf(e.ID), Source: stringOf(e.Source), Type: stringOf(e.Type), ContentType: stringOf(e.ContentType), Data: e.Data}
	switch {
	case packed:
		bytes, err := base64.StdEncoding.DecodeString(stringOf(e.Base64))
		if err != nil || e.Base64.Kind() != '"' {
			return CloudEvent{}, fmt.Errorf("%w: its base64", errCloudEvent)
		}
		out.Data = bytes
	case e.Data.Kind() == '"':
		out.Data = []byte(stringOf(e.Data))
	}
	return out, nil
}
