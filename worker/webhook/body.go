package webhook

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"pupilrisk/fhirmap"
)

// changed handles a request that says no more than what its path names.
func (h *Receiver) changed(ctx context.Context, to target) answer {
	if to.id == "" || to.typ != "Appointment" && to.typ != "Patient" {
		return h.askSweep() // whose record it was, nothing says
	}
	body, err := json.Marshal(map[string]string{"reference": to.typ + "/" + to.id})
	if err != nil {
		return unreadable
	}
	return h.publish(ctx, "", body)
}

// take handles a body by its content.
func (h *Receiver) take(ctx context.Context, to target, body []byte) answer {
	content, enveloped, named := body, false, false
	switch e, err := fhirmap.DecodeCloudEvent(body); {
	case err == nil:
		content, enveloped, named = bytes.TrimSpace(e.Data), true, e.ID != ""
	case !errors.Is(err, fhirmap.ErrNotCloudEvent):
		return unreadable
	}
	switch n, err := fhirmap.DecodeNotification(content, h.o.FHIR); {
	case err == nil:
		return h.notified(ctx, n, body)
	case !errors.Is(err, fhirmap.ErrNotNotification):
		return unreadable
	}
	switch m, err := fhirmap.DecodeMessage(content, h.o.FHIR); {
	case err == nil:
		return h.publish(ctx, idOf(body, named || m.ID != ""), body)
	case !errors.Is(err, fhirmap.ErrNotMessage):
		return unreadable
	}
	if enveloped && bytes.HasPrefix(content, []byte("MSH")) {
		return h.publish(ctx, idOf(body, named), body)
	}
	var r struct {
		ResourceType string         `json:"resourceType"`
		ID           string         `json:"id"`
		Meta         jsontext.Value `json:"meta"`
		Reference    jsontext.Value `json:"reference"`
	}
	if fhirmap.Nesting(content) > maxNesting || json.Unmarshal(content, &r) != nil {
		return unreadable
	}
	switch {
	case r.ResourceType == "" && to.typ == "" && record(r.Reference):
	case !resourceType(r.ResourceType), r.ResourceType == "Bundle", to.typ != "" && to.typ != r.ResourceType, to.id != "" && r.ID != "" && to.id != r.ID:
		return unreadable
	case to.id != "" && r.ID == "":
		return h.changed(ctx, to) // only the path says which it is
	}
	return h.publish(ctx, idOf(body, named || versioned(r.Meta)), body)
}

// record reports a reference to what the worker looks at by reference.
func record(raw jsontext.Value) bool {
	var ref string
	return json.Unmarshal(raw, &ref) == nil && (fhirmap.ValidReference(ref, "Appointment") || fhirmap.ValidReference(ref, "Patient"))
}

// versioned reports a resource that says which of its versions it is.
func versioned(meta jsontext.Value) bool {
	var m struct {
		VersionID   string `json:"versionId"`
		LastUpdated string `json:"lastUpdated"`
	}
	return json.Unmarshal(meta, &m) == nil && (m.VersionID != "" || m.LastUpdated != "")
}

// idOf is the id of an event whose body tells it from any other. What is changed and changed back is equal to the first, and
// no repeat: without a version or a name of its own, an equal body is another event.
func idOf(body []byte, named bool) string {
	if !named {
		return ""
	}
	return eventID(string(body))
}

// maxNesting bounds the nesting of a resource; the records that are read later have the same bound.
const maxNesting = 64

// notified handles a notification. Its numbers count as received only once its events are stored.
func (h *Receiver) notified(ctx context.Context, n fhirmap.Notification, body []byte) answer {
	a := h.event(ctx, n, body)
	if a.status == http.StatusOK && h.o.Gaps != nil {
		for _, e := range n.Events {
			h.o.Gaps.Note(n.Subscription, e.Number)
		}
		h.o.Gaps.Heard(n.Subscription, n.EventsSinceStart)
	}
	return a
}

func (h *Receiver) event(ctx context.Context, n fhirmap.Notification, body []byte) answer {
	switch {
	case n.Type == fhirmap.EventNotification || n.Type == fhirmap.QueryEvent:
	case len(n.Errors) > 0:
		return subscriptionError
	case n.Type == fhirmap.Handshake:
		return handshake
	case n.Type == fhirmap.Heartbeat:
		return heartbeat
	default:
		return statusOnly
	}
	points, numbered := false, len(n.Events) > 0
	parts := []string{n.Subscription}
	for _, e := range n.Events {
		points = points || e.Focus != fhirmap.Pointer{} || len(e.Additional) > 0
		numbered = numbered && e.Number > 0
		// A server may begin to count anew: the number alone would make another event of it the same.
		parts = append(parts, fmt.Sprint(e.Number), e.Timestamp, e.Focus.Base, e.Focus.Reference)
	}
	switch {
	case !points:
		return h.askSweep()
	case !numbered:
		return h.publish(ctx, "", body)
	default:
		return h.publish(ctx, eventID(parts...), body)
	}
}

func (h *Receiver) publish(ctx context.Context, id string, body []byte) answer {
	if h.o.Publish(ctx, id, body) != nil {
		return notPublished
	}
	return published
}

// eventID is the same for the same parts, and tells nothing about them.
func eventID(parts ...string) string {
	sum := sha256.New()
	for _, p := range parts {
		fmt.Fprintf(sum, "%q", p)
	}
	return hex.EncodeToString(sum.Sum(nil)[:16])
}
