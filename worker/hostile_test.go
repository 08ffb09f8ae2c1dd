package worker

import (
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
	"pupilrisk/worker/fhirstore"
)

// A hostile answer to one search costs that type of record and nothing else: it is said as a gap, what the others hold is found, no
// other origin is asked, and nobody else's record is taken.
func TestHostileAnswerIsAGap(t *testing.T) {
	thief := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { t.Errorf("another origin was asked for %s", r.URL) }))
	t.Cleanup(thief.Close)
	var pages atomic.Int64
	page := func(next, entries string) http.HandlerFunc {
		return func(rw http.ResponseWriter, r *http.Request) {
			rw.Header().Set("Content-Type", "application/fhir+json")
			link := strings.NewReplacer("SELF", r.URL.RequestURI(), "HOST", "http://"+r.Host, "N", fmt.Sprint(pages.Add(1))).Replace(next)
			fmt.Fprintf(rw, `{"resourceType":"Bundle","type":"searchset","link":[{"relation":"next","url":%q}],"entry":[%s]}`, link, entries)
		}
	}
	for name, hostile := range map[string]http.HandlerFunc{
		"a next link to another server": page(thief.URL+"/fhir/Condition?page=2", ""),
		"a next link with a user":       page("http://me@"+strings.TrimPrefix(thief.URL, "http://")+"/fhir", ""),
		"a next link to itself":         page("HOSTSELF", ""),
		"pages without end":             page("HOST/fhir/Condition?patient=Patient/bob&page=N", ""),
		"a redirect": func(rw http.ResponseWriter, r *http.Request) {
			http.Redirect(rw, r, thief.URL, http.StatusTemporaryRedirect)
		},
		"nested without end": page("", `{"resource":{"resourceType":"Condition","id":"c","x":`+strings.Repeat("[", 100_000)+strings.Repeat("]", 100_000)+`}}`),
		"another patient's":  page("", `{"resource":{"resourceType":"Condition","id":"c","subject":{"reference":"Patient/mallory"},"code":{"text":"Pseudoexfoliation syndrome"}}}`),
		"a bomb": func(rw http.ResponseWriter, _ *http.Request) {
			rw.Header().Set("Content-Encoding", "gzip")
			z := gzip.NewWriter(rw)
			_, _ = io.WriteString(z, `{"resourceType":"Bundle","type":"searchset","entry":[`)
			for part := make([]byte, 1<<20); ; {
				if _, err := z.Write(part); err != nil {
					return
				}
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			c := newClinic(t, fhirstore.DefaultOptions())
			c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
			server := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
				if strings.HasPrefix(r.URL.Path, "/fhir/Condition") {
					hostile(rw, r)
					return
				}
				c.store.ServeHTTP(rw, r)
			}))
			t.Cleanup(server.Close)
			c.url, c.batch = server.URL+"/fhir", "off"
			w := c.worker()
			var got []rules.Assessment
			w.OnAssessment = func(a rules.Assessment) { got = append(got, a) }
			require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace))
			require.Len(t, got, 1)
			require.Equal(t, rules.Flagged, got[0].Outcome)
			others := testutil.ToFloat64(w.metrics.dropped.WithLabelValues("Condition", "patient")) // counted; what is nobody's here is missing to nobody
			require.Equal(t, others == 1, got[0].Complete)
			require.Equal(t, name == "another patient's", others == 1)
			require.Len(t, got[0].Findings, 1)
			require.Equal(t, "tamsulosin", got[0].Findings[0].Factor)
		})
	}
}
