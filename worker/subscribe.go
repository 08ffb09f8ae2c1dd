package worker

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/fhirhttp"
)

// Canonical URIs of the Subscriptions R5 Backport guide (hl7.org/fhir/uv/subscriptions-backport).
const (
	backport             = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/"
	backportSubscription = backport + "backport-subscription"
	backportFilter       = backport + "backport-filter-criteria"
	backportHeartbeat    = backport + "backport-heartbeat-period"
	backportPayload      = backport + "backport-payload-content"
	backportTopics       = backport + "capabilitystatement-subscriptiontopic-canonical"
)

// PlainCriteria are the criteria of a subscription without a topic: bookings of every status, since a booking that is
// cancelled would match those still ahead no more, and nobody would be told.
const PlainCriteria = "Appointment?status=proposed,pending,booked,arrived,fulfilled,cancelled,noshow,entered-in-error,checked-in,waitlist"

// defaultLifetime is how long a subscription lasts that nobody renews.
const defaultLifetime = 30 * 24 * time.Hour

// ErrNoSubscriptions is returned for a server that offers none.
var ErrNoSubscriptions = errors.New("the FHIR server does not offer Subscriptions")

// SubscribeOptions say what to subscribe to. Endpoint and Secret are required.
type SubscribeOptions struct {
	// Endpoint is where the server reaches the hook: https, plain http on a loopback address only. It is what our subscriptions
	// are known by, whoever made them.
	Endpoint string
	// Header and Secret are those of the hook (webhook.Options); of the lines of the secret the server is given the first.
	Header string
	Secret func() ([]byte, error)
	// Topic is the canonical URL of a topic about bookings. Where it is "" or the server does not advertise it, plain criteria
	// are used.
	Topic string
	// Filters narrow the topic, as Appointment?status=booked; all must hold.
	Filters []string
	// Criteria are searches, one plain subscription each; default PlainCriteria.
	Criteria []string
	// Heartbeat is how often a topic's subscription is to be heard of when nothing happens, in whole seconds; 0 is never.
	Heartbeat time.Duration
	// Lifetime is how long a subscription lasts; default 30 d. It is renewed once less than half is left.
	Lifetime time.Duration
	// Names give the tag, and the ids where the server lets us choose them.
	Names fhirmap.Names
	// Now is the clock; nil is time.Now.
	Now func() time.Time
}

// subscriptionJSON is a Subscription as far as it is ours.
type subscriptionJSON struct {
	ResourceType string               `json:"resourceType"`
	ID           string               `json:"id,omitzero"`
	Meta         subscriptionMetaJSON `json:"meta"`
	Status       string               `json:"status"`
	End          string               `json:"end,omitzero"`
	Reason       string               `json:"reason"`
	Criteria     string               `json:"criteria"`
	CriteriaMore extensionsJSON       `json:"_criteria,omitzero"`
	Channel      channelJSON          `json:"channel"`
}

type subscriptionMetaJSON struct {
	VersionID string    `json:"versionId,omitzero"`
	Profile   []string  `json:"profile,omitempty"`
	Tag       []tagJSON `json:"tag,omitempty"`
}

type tagJSON struct {
	System string `json:"system,omitzero"`
	Code   string `json:"code,omitzero"`
}

type channelJSON struct {
	Extension   []extensionJSON `json:"extension,omitempty"`
	Type        string          `json:"type"`
	Endpoint    string          `json:"endpoint,omitzero"`
	Payload     string          `json:"payload,omitzero"`
	PayloadMore extensionsJSON  `json:"_payload,omitzero"`
	Header      []string        `json:"header,omitempty"`
}

type extensionsJSON struct {
	Extension []extensionJSON `json:"extension,omitempty"`
}

// IsZero leaves the member out.
func (e extensionsJSON) IsZero() bool { return len(e.Extension) == 0 }

type extensionJSON struct {
	URL      string `json:"url"`
	String   string `json:"valueString,omitzero"`
	Code     string `json:"valueCode,omitzero"`
	Unsigned int    `json:"valueUnsignedInt,omitzero"`
}

// Subscribe makes the subscriptions that are missing, renews those that end soon, asks again for those that failed, corrects
// those that differ, and turns off our others at the same endpoint. Called again it changes nothing that is well. It returns the
// subscriptions that stand, Subscription/id.
func Subscribe(ctx context.Context, c *fhirhttp.Client, o SubscribeOptions) ([]string, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Lifetime == 0 {
		o.Lifetime = defaultLifetime
	}
	capability, err := c.Capability(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the server's capability: %w", err)
	}
	offered, listed := capability.Types["Subscription"]
	if !listed && len(capability.Types) > 0 {
		return nil, ErrNoSubscriptions
	}
	wanted, err := o.wanted(ctx, c)
	if err != nil {
		return nil, err
	}
	standing, err := subscriptionsAt(ctx, c, o.Endpoint, offered.Searches("url"))
	if err != nil {
		return nil, err
	}
	var refs []string
	for _, want := range wanted {
		i := slices.IndexFunc(standing, func(s subscriptionJSON) bool { return s.Criteria == want.Criteria })
		var have subscriptionJSON
		if i >= 0 {
			have = standing[i]
			standing = slices.Delete(standing, i, i+1)
		}
		ref := "Subscription/" + have.ID
		switch {
		case i < 0:
			ref, err = o.create(ctx, c, want, offered)
		case !have.serves(want, o.Now().Add(o.Lifetime/2)):
			want.ID = have.ID
			err = put(ctx, c, want, have.Meta.VersionID)
		}
		if err != nil {
			return refs, err
		}
		refs = append(refs, ref)
	}
	for _, s := range standing {
		if s.Status == "off" || !slices.Contains(s.Meta.Tag, o.tag()) {
			continue // somebody else's, or off already
		}
		version := s.Meta.VersionID
		s.Status, s.Meta.VersionID = "off", ""
		if err := put(ctx, c, s, version); err != nil {
			return refs, err
		}
	}
	return refs, nil
}

func (o SubscribeOptions) tag() tagJSON {
	return tagJSON{o.Names.Canonical + "/CodeSystem/subscription", "hook"}
}

// wanted are the subscriptions that should stand.
func (o SubscribeOptions) wanted(ctx context.Context, c *fhirhttp.Client) ([]subscriptionJSON, error) {
	u, err := url.Parse(o.Endpoint)
	if err != nil || u.Host == "" || u.Scheme != "https" && (u.Scheme != "http" || !loopback(u.Hostname())) {
		return nil, errors.New("the hook's address must be https: what is sent there names patients")
	}
	secret, err := o.Secret()
	if err != nil {
		return nil, fmt.Errorf("read the hook's secret: %w", err)
	}
	first, _, _ := bytes.Cut(bytes.TrimSpace(secret), []byte("\n"))
	if len(first) == 0 {
		return nil, errors.New("the hook's secret is empty")
	}
	header := "Authorization: Bearer "
	if o.Header != "" {
		header = o.Header + ": "
	}
	plain := subscriptionJSON{
		ResourceType: "Subscription", Meta: subscriptionMetaJSON{Tag: []tagJSON{o.tag()}}, Status: "requested",
		End: o.Now().Add(o.Lifetime).UTC().Format(time.RFC3339), Reason: "Pupil risk of booked eye operations",
		Channel: channelJSON{Type: "rest-hook", Endpoint: o.Endpoint, Payload: "application/fhir+json", Header: []string{header + string(bytes.TrimSpace(first))}},
	}
	topic, err := o.advertised(ctx, c)
	if err != nil {
		return nil, err
	}
	if topic {
		plain.Criteria, plain.Meta.Profile = o.Topic, []string{backportSubscription}
		for _, f := range o.Filters {
			plain.CriteriaMore.Extension = append(plain.CriteriaMore.Extension, extensionJSON{URL: backportFilter, String: f})
		}
		if seconds := int(o.Heartbeat / time.Second); seconds > 0 {
			plain.Channel.Extension = []extensionJSON{{URL: backportHeartbeat, Unsigned: seconds}}
		}
		plain.Channel.PayloadMore.Extension = []extensionJSON{{URL: backportPayload, Code: "id-only"}}
		return []subscriptionJSON{plain}, nil
	}
	criteria := o.Criteria
	if len(criteria) == 0 {
		criteria = []string{PlainCriteria}
	}
	var out []subscriptionJSON
	for _, search := range criteria {
		s := plain
		s.Criteria = search
		out = append(out, s)
	}
	return out, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// advertised reports that the server says it serves the topic. One that names no topics at all, but the profile, is believed to.
func (o SubscribeOptions) advertised(ctx context.Context, c *fhirhttp.Client) (bool, error) {
	if o.Topic == "" {
		return false, nil
	}
	a, err := c.Read(ctx, "metadata")
	if err != nil {
		return false, fmt.Errorf("read the server's capability: %w", err)
	}
	var s struct {
		Rest []struct {
			Mode     string `json:"mode"`
			Resource []struct {
				Type      string   `json:"type"`
				Profiles  []string `json:"supportedProfile"`
				Extension []struct {
					URL       string `json:"url"`
					Canonical string `json:"valueCanonical"`
				} `json:"extension"`
			} `json:"resource"`
		} `json:"rest"`
	}
	if json.Unmarshal(a.Body, &s) != nil {
		return false, errors.New("read the server's capability: it is not readable")
	}
	same := func(canonical, as string) bool {
		x, _, _ := strings.Cut(canonical, "|")
		y, _, _ := strings.Cut(as, "|")
		return x == y
	}
	for _, rest := range s.Rest {
		for _, r := range rest.Resource {
			if rest.Mode == "client" || r.Type != "Subscription" {
				continue
			}
			topics, found := 0, false
			for _, e := range r.Extension {
				if e.URL == backportTopics {
					topics++
					found = found || same(e.Canonical, o.Topic)
				}
			}
			profiled := slices.ContainsFunc(r.Profiles, func(p string) bool { return same(p, backportSubscription) })
			return found || profiled && topics == 0, nil
		}
	}
	return false, nil
}

// subscriptionsAt are the subscriptions of the server at an endpoint, those off last.
func subscriptionsAt(ctx context.Context, c *fhirhttp.Client, endpoint string, byURL bool) (out []subscriptionJSON, err error) {
	path := "Subscription?_count=200"
	if byURL {
		path += "&url=" + url.QueryEscape(endpoint)
	}
	page := func(a fhirhttp.Answer) (string, error) {
		info, err := fhirmap.WalkBundle(a.Body, fhirmap.Limits{}, func(e fhirmap.BundleEntry) error {
			var s subscriptionJSON
			// What cannot be read is not of our making.
			if json.Unmarshal(e.Resource, &s) == nil && s.ResourceType == "Subscription" && s.Channel.Endpoint == endpoint &&
				fhirmap.ValidReference("Subscription/"+s.ID, "Subscription") {
				out = append(out, s)
			}
			return nil
		})
		return info.Next, err
	}
	answers, err := c.Gather(ctx, []string{path})
	if err == nil {
		err = answers[0].Err
	}
	next := ""
	if err == nil {
		next, err = page(answers[0])
	}
	if err == nil {
		err = c.Pages(ctx, next, page)
	}
	if err != nil {
		return nil, fmt.Errorf("search Subscription: %w", err)
	}
	slices.SortStableFunc(out, func(x, y subscriptionJSON) int { return cmp.Compare(off(x), off(y)) })
	return out, nil
}

func off(s subscriptionJSON) int {
	if s.Status == "off" {
		return 1
	}
	return 0
}

// serves reports that what stands is as wanted, does not end before a time, and works. A header that the server hides, and a
// heartbeat that it leaves out, cannot be compared.
func (s subscriptionJSON) serves(want subscriptionJSON, until time.Time) bool {
	if s.Status != "active" && s.Status != "requested" {
		return false
	}
	if end, err := time.Parse(time.RFC3339, s.End); s.End != "" && (err != nil || end.Before(until)) {
		return false
	}
	for _, h := range s.Channel.Header {
		name, value, _ := strings.Cut(h, ":")
		wantName, _, _ := strings.Cut(want.Channel.Header[0], ":")
		if strings.EqualFold(name, wantName) && strings.Trim(value, " *") != "" && h != want.Channel.Header[0] {
			return false
		}
	}
	if beat := values(s.Channel.Extension, backportHeartbeat); len(beat) > 0 && !slices.Equal(beat, values(want.Channel.Extension, backportHeartbeat)) {
		return false
	}
	return s.Channel.Type == want.Channel.Type && s.Channel.Payload == want.Channel.Payload &&
		slices.Equal(values(s.CriteriaMore.Extension, backportFilter), values(want.CriteriaMore.Extension, backportFilter)) &&
		slices.Equal(values(s.Channel.PayloadMore.Extension, backportPayload), values(want.Channel.PayloadMore.Extension, backportPayload))
}

// values are those of the extensions with a URL, in order.
func values(all []extensionJSON, url string) (out []string) {
	for _, e := range all {
		if e.URL == url {
			out = append(out, fmt.Sprint(e.String, e.Code, e.Unsigned))
		}
	}
	slices.Sort(out)
	return out
}

// create makes a subscription. Two workers that do so at once make one, where the server lets us choose the id or search by url;
// else the next call turns off one of two.
func (o SubscribeOptions) create(ctx context.Context, c *fhirhttp.Client, s subscriptionJSON, offered fhirhttp.TypeCapability) (string, error) {
	if offered.UpdateCreate {
		s.ID = o.Names.ID("subscription." + o.Endpoint + "." + s.Criteria)
		return "Subscription/" + s.ID, put(ctx, c, s, "")
	}
	unless := ""
	if offered.ConditionalCreate && offered.Searches("url") && offered.Searches("criteria") {
		unless = "url=" + url.QueryEscape(o.Endpoint) + "&criteria=" + url.QueryEscape(s.Criteria)
	}
	body, err := json.Marshal(s)
	if err != nil {
		return "", fmt.Errorf("build the Subscription: %w", err)
	}
	a, err := c.Write(ctx, http.MethodPost, "Subscription", body, "", unless)
	if err != nil {
		return "", fmt.Errorf("create the Subscription: %w", err)
	}
	var made struct {
		ID string `json:"id"`
	}
	ref, _, _ := strings.Cut(a.Location, "/_history/")
	if ref == "" && json.Unmarshal(a.Body, &made) == nil {
		ref = "Subscription/" + made.ID
	}
	if !fhirmap.ValidReference(ref, "Subscription") {
		return "", errors.New("create the Subscription: the server does not say where it is")
	}
	return ref, nil
}

// put writes a subscription over the version that was read; "" where there was none.
func put(ctx context.Context, c *fhirhttp.Client, s subscriptionJSON, version string) error {
	s.Meta.VersionID = ""
	body, err := json.Marshal(s)
	if err != nil {
		return fmt.Errorf("build the Subscription: %w", err)
	}
	match := ""
	if version != "" {
		match = `W/"` + version + `"`
	}
	if _, err := c.Write(ctx, http.MethodPut, "Subscription/"+s.ID, body, match, ""); err != nil {
		return fmt.Errorf("write the Subscription: %w", err)
	}
	return nil
}

// MissedEvents fetches the events of a subscription between two numbers, both included, and hands them out as they come, in one or
// more notification Bundles (hl7.org/fhir/uv/subscriptions-backport, operation $events; a server may give fewer at a time than it
// was asked for). A server that does not offer it, or not those, answers with an error: a sweep finds out as well.
func MissedEvents(ctx context.Context, c *fhirhttp.Client, subscription string, from, to int64, each func(body []byte) error) error {
	ref, err := c.Relative(subscription)
	if err != nil || !fhirmap.ValidReference(ref, "Subscription") {
		return errors.New("fetch missed events: not a Subscription of this server")
	}
	for from <= to {
		a, err := c.Read(ctx, fmt.Sprintf("%s/$events?eventsSinceNumber=%d&eventsUntilNumber=%d&content=id-only", ref, from, to))
		if err != nil {
			return fmt.Errorf("fetch missed events: %w", err)
		}
		n, err := fhirmap.DecodeNotification(a.Body, fhirmap.Options{})
		if err != nil {
			return fmt.Errorf("fetch missed events: %w", err)
		}
		next := from
		for _, e := range n.Events {
			next = max(next, e.Number+1)
		}
		if next == from {
			return errors.New("fetch missed events: the server has them no more")
		}
		if err := each(a.Body); err != nil {
			return err
		}
		from = next
	}
	return nil
}
