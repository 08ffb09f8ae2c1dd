package smart

import (
	"net/http"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/peertest"
)

// An authorization server that nobody here wrote takes our statements, by both algorithms, and refuses what it must.
func TestIndependentAuthorizationServer(t *testing.T) {
	clients, files := map[string]peertest.TokenClient{}, map[string]string{"rs384": pkcs8(rsaKey()), "es384": pkcs8(ecKey())}
	keys := map[string]Keys{}
	for id, file := range files {
		keys[id] = must(ParseKeys([]byte(file)))
		clients[id] = peertest.TokenClient{Algorithm: keys[id][0].Algorithm, JWKS: must(keys[id].Public())}
	}
	endpoint := peertest.TokenServer(t, clients, "system/Patient.rs", "system/Flag.crus")
	transport := &http.Transport{}
	t.Cleanup(transport.CloseIdleConnections)
	source := func(client, key, scope string) *Source {
		s, err := New(Config{
			Base: "https://fhir.clinic.example/r4", TokenURL: endpoint, ClientID: client, KeyFile: keyFile(t, key), Scope: scope, Transport: transport,
		})
		require.NoError(t, err)
		return s
	}
	for id, file := range files {
		t.Run(id, func(t *testing.T) {
			s := source(id, file, "system/Patient.rs system/Flag.crus")
			first, err := s.Token(t.Context())
			require.NoError(t, err)
			require.WithinDuration(t, time.Now().Add(5*time.Minute), s.current.Load().expires, 30*time.Second)
			second, err := s.Renew(t.Context(), first)
			require.NoError(t, err)
			require.NotEqual(t, first, second)

			_, err = source(id, file, "system/Patient.rs system/Task.crus").Token(t.Context())
			require.EqualError(t, err, "fhir token: token endpoint: does not grant system/Task.crus; have it granted, or leave it out of fhir.scope")
			_, err = source("other", file, "system/Patient.rs").Token(t.Context())
			require.ErrorContains(t, err, "(invalid_client)")
			_, err = source(id, pkcs8(newEC()), "system/Patient.rs").Token(t.Context())
			require.ErrorContains(t, err, "(invalid_client)")

			// What the server would say to a statement that is not as it should be: else its yes above proved little.
			post := func(assertion string) int {
				res, err := (&http.Client{Transport: transport}).PostForm(endpoint, url.Values{
					"grant_type": {"client_credentials"}, "scope": {"system/Patient.rs"}, "client_assertion": {assertion},
					"client_assertion_type": {"urn:ietf:params:oauth:client-assertion-type:jwt-bearer"},
				})
				require.NoError(t, err)
				require.NoError(t, res.Body.Close())
				return res.StatusCode
			}
			once := must(keys[id].assertion(id, endpoint, time.Now()))
			require.Equal(t, 200, post(once))
			require.Equal(t, 401, post(once), "replayed")
			require.Equal(t, 401, post(must(keys[id].assertion(id, "https://other.example/token", time.Now()))), "made out to another")
			require.Equal(t, 401, post(must(keys[id].assertion(id, endpoint, time.Now().Add(-time.Hour)))), "over")
		})
	}
}
