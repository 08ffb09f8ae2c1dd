package fhirstore

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// client talks to a store over a real connection.
type client struct {
	t     testing.TB
	store *Store
	url   string
	http  *http.Client
}

func start(t testing.TB, o Options) client {
	t.Helper()
	s := New(o)
	srv, err := Serve(s, "127.0.0.1:0")
	require.NoError(t, err)
	transport := &http.Transport{MaxIdleConnsPerHost: 64}
	t.Cleanup(func() {
		transport.CloseIdleConnections()
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		require.NoError(t, srv.Close(ctx))
	})
	return client{t, s, srv.URL(), &http.Client{Transport: transport}}
}

type reply struct {
	status int
	header http.Header
	body   string
}

// try sends one request; headers come in pairs of name and value.
func (c client) try(method, path, body string, headers ...string) (reply, error) {
	if !strings.HasPrefix(path, "http") {
		path = strings.TrimSuffix(c.url+"/"+path, "/")
	}
	r, err := http.NewRequest(method, path, strings.NewReader(body))
	if err != nil {
		return reply{}, err
	}
	if body != "" {
		r.Header.Set("Content-Type", fhirJSON)
	}
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	res, err := c.http.Do(r)
	if err != nil {
		return reply{}, err
	}
	defer func() { _ = res.Body.Close() }()
	b, err := io.ReadAll(res.Body)
	return reply{res.StatusCode, res.Header, string(b)}, err
}

func (c client) do(method, path, body string, headers ...string) reply {
	c.t.Helper()
	r, err := c.try(method, path, body, headers...)
	require.NoError(c.t, err)
	return r
}

func (c client) get(path string) reply {
	c.t.Helper()
	return c.do(http.MethodGet, path, "")
}

func (c client) put(resources ...string) {
	c.t.Helper()
	for _, r := range resources {
		require.NoError(c.t, c.store.Put([]byte(r)))
	}
}

// bundle is what the tests read of a Bundle.
type bundle struct {
	Type  string
	Total *int
	Link  []struct{ Relation, URL string }
	Entry []struct {
		FullURL  string
		Resource map[string]any
		Search   struct{ Mode string }
		Response struct {
			Status, Location, Etag, LastModified string
			Outcome                              map[string]any
		}
	}
}

func (r reply) bundle(t testing.TB) bundle {
	t.Helper()
	var b bundle
	require.NoError(t, json.Unmarshal([]byte(r.body), &b, json.MatchCaseInsensitiveNames(true)), r.body)
	return b
}

// ids are the entries as "Type/id", an included one with a plus sign.
func (b bundle) ids() []string {
	out := []string{}
	for _, e := range b.Entry {
		ref := fmt.Sprint(e.Resource["resourceType"], "/", e.Resource["id"])
		if e.Search.Mode == "include" {
			ref = "+" + ref
		}
		out = append(out, ref)
	}
	return out
}

func (b bundle) link(relation string) string {
	for _, l := range b.Link {
		if l.Relation == relation {
			return l.URL
		}
	}
	return ""
}

// statuses are the first three digits of each entry's response.
func (b bundle) statuses() string {
	var out []string
	for _, e := range b.Entry {
		out = append(out, e.Response.Status[:3])
	}
	return strings.Join(out, ",")
}

// issueCode is the code of the OperationOutcome that every error must come with.
func (r reply) issueCode(t testing.TB) string {
	t.Helper()
	var o outcome
	require.NoError(t, json.Unmarshal([]byte(r.body), &o), r.body)
	require.Equal(t, "OperationOutcome", o.ResourceType)
	require.Len(t, o.Issue, 1)
	require.Equal(t, "error", o.Issue[0].Severity)
	return o.Issue[0].Code
}

func flag(id, patient string) string {
	return `{"resourceType":"Flag","id":"` + id + `","identifier":[{"system":"urn:f","value":"` + id +
		`"}],"status":"active","code":{"text":"x"},"subject":{"reference":"Patient/` + patient + `"}}`
}
