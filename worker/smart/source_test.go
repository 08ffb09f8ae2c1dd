package smart

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirhttp"
)

func TestWhatIsAskedOfTheTokenEndpoint(t *testing.T) {
	s, a := serve(t, pkcs8(rsaKey()), func(c *Config) { c.Scope = "system/Patient.rs system/Flag.crus" })
	for range 3 {
		token, err := s.Token(t.Context())
		require.NoError(t, err)
		require.Equal(t, "token-1", token)
	}
	require.Len(t, a.forms, 1)
	require.NotEmpty(t, a.forms[0]["client_assertion"])
	delete(a.forms[0], "client_assertion") // the authority has checked it
	require.Equal(t, map[string][]string{
		"grant_type": {"client_credentials"}, "scope": {"system/Patient.rs system/Flag.crus"},
		"client_assertion_type": {"urn:ietf:params:oauth:client-assertion-type:jwt-bearer"},
	}, a.forms[0])
}

func TestTokenIsRenewedBeforeItEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var ends []time.Time
		s, a := inMemory(t, func(c *Config) { c.Expires = func(at time.Time) { ends = append(ends, at) } })
		start := time.Now()
		is := func(want string) {
			t.Helper()
			token, err := s.Token(t.Context())
			require.NoError(t, err)
			require.Equal(t, want, token)
		}
		is("token-1")
		time.Sleep(4*time.Minute - time.Second)
		is("token-1")
		time.Sleep(time.Second) // a fifth of its life is left
		is("token-2")
		require.Equal(t, []time.Time{start.Add(5 * time.Minute), start.Add(9 * time.Minute)}, ends)

		// The server does not answer well: the token is used to its end, and the server is asked at growing intervals.
		a.set(func() { a.token = func(int) (int, string) { return 503, "" } })
		time.Sleep(4 * time.Minute)
		for range 59 {
			is("token-2")
			time.Sleep(time.Second)
		}
		require.Equal(t, 2+9, a.count(), "after 0, 1, 3, 7, 15, 25, 35, 45 and 55 s")
	})
}

func TestTimesOfOtherTokens(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, a := inMemory(t)
		a.token = func(n int) (int, string) {
			return 200, fmt.Sprintf(`{"access_token":"token-%d","token_type":"bearer","expires_in":3600}`, n)
		}
		ask := func() string { token, _ := s.Token(t.Context()); return token }
		require.Equal(t, "token-1", ask())
		time.Sleep(time.Hour - renewBefore - time.Second)
		require.Equal(t, "token-1", ask(), "a long life is used nearly to its end")
		time.Sleep(time.Second)
		require.Equal(t, "token-2", ask())

		// After a success, failures are counted from one again.
		granted := a.token
		for range 2 {
			a.token = func(int) (int, string) { return 500, "" }
			time.Sleep(2 * time.Hour)
			require.Empty(t, ask())
			a.token = granted
			time.Sleep(firstQuiet)
			require.NotEmpty(t, ask())
		}
	})
}

func TestAFailureIsToldToAllAndNotRepeatedAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, a := inMemory(t)
		a.token = func(int) (int, string) { return 429, `{"error":"` + marker + `"}` }
		a.header = map[string]string{"Retry-After": "40"}
		for range 3 {
			_, err := s.Token(t.Context())
			require.EqualError(t, err, "fhir token: token endpoint: status 429")
		}
		require.Equal(t, 1, a.count())
		time.Sleep(39 * time.Second)
		_, err := s.Token(t.Context())
		require.Error(t, err)
		require.Equal(t, 1, a.count(), "Retry-After is kept")
		time.Sleep(time.Second)
		_, err = s.Token(t.Context())
		require.Error(t, err)
		require.Equal(t, 2, a.count())
		require.Equal(t, 2, a.asked, "after a failure the endpoint is looked up again")
	})
}

func TestFiftyAtOnceAskOnce(t *testing.T) {
	for name, status := range map[string]int{"granted": 200, "refused": 400} {
		t.Run(name, func(t *testing.T) {
			s, a := serve(t, pkcs8(ecKey()))
			a.token = func(n int) (int, string) {
				return status, fmt.Sprintf(`{"access_token":"token-%d","token_type":"Bearer","error":"invalid_request"}`, n)
			}
			var all sync.WaitGroup
			tokens, errs := make([]string, 50), make([]error, 50)
			for i := range tokens {
				all.Go(func() { tokens[i], errs[i] = s.Token(t.Context()) })
			}
			all.Wait()
			for i := range tokens {
				if status == 200 {
					require.NoError(t, errs[i])
					require.Equal(t, "token-1", tokens[i])
				} else {
					require.EqualError(t, errs[i], "fhir token: token endpoint: status 400 (invalid_request)")
				}
			}
			require.Equal(t, 1, a.count())
			if status != 200 {
				return
			}
			// The same when the FHIR server refuses the token to all of them.
			for i := range tokens {
				all.Go(func() { tokens[i], errs[i] = s.Renew(t.Context(), "token-1") })
			}
			all.Wait()
			for i := range tokens {
				require.NoError(t, errs[i])
				require.Equal(t, "token-2", tokens[i])
			}
			require.Equal(t, 2, a.count())
		})
	}
}

// While one renews a token that still holds, nobody else waits.
func TestRenewalHoldsNobodyUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, a := inMemory(t)
		_, err := s.Token(t.Context())
		require.NoError(t, err)
		time.Sleep(4 * time.Minute)
		release := make(chan struct{})
		s.cfg.Transport = waiting{direct{a}, release}
		renewed := make(chan string)
		go func() {
			token, _ := s.Token(t.Context())
			renewed <- token
		}()
		synctest.Wait()
		token, err := s.Token(t.Context())
		require.NoError(t, err)
		require.Equal(t, "token-1", token)
		close(release)
		require.Equal(t, "token-2", <-renewed)
	})
}

type waiting struct {
	next    http.RoundTripper
	release chan struct{}
}

func (w waiting) RoundTrip(r *http.Request) (*http.Response, error) {
	select {
	case <-w.release:
		return w.next.RoundTrip(r)
	case <-r.Context().Done():
		return nil, r.Context().Err()
	}
}

// A caller who gives up says nothing about the server: the next one asks.
func TestACallerWhoGivesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, a := inMemory(t)
		release := make(chan struct{})
		s.cfg.Transport = waiting{direct{a}, release}
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		both := make(chan error, 2)
		go func() { _, err := s.Token(ctx); both <- err }()
		go func() { _, err := s.Renew(ctx, ""); both <- err }() // waits for the turn
		require.ErrorIs(t, <-both, context.DeadlineExceeded)
		require.ErrorIs(t, <-both, context.DeadlineExceeded)

		// A server that does not answer at all is given up after the time-out, and left alone for a moment.
		start := time.Now()
		for range 2 {
			_, err := s.Token(t.Context())
			require.EqualError(t, err, "fhir token: discovery: context deadline exceeded")
			require.Equal(t, 20*time.Second, time.Since(start))
		}
		close(release)
		time.Sleep(time.Second)
		token, err := s.Token(t.Context())
		require.NoError(t, err)
		require.Equal(t, "token-1", token)
	})
}

func TestRenewAfterARefusal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var ends time.Time
		s, a := inMemory(t, func(c *Config) { c.Expires = func(at time.Time) { ends = at } })
		renew := func(refused, want string) {
			t.Helper()
			token, err := s.Renew(t.Context(), refused)
			require.NoError(t, err)
			require.Equal(t, want, token)
		}
		_, err := s.Token(t.Context())
		require.NoError(t, err)
		renew("token-1", "token-2")
		renew("token-1", "token-2") // somebody else was refused the same one
		renew("token-2", "token-2") // the new one is refused too: the token is not what is wrong
		time.Sleep(refusedPause)
		renew("token-2", "token-3")
		require.Equal(t, 3, a.count())

		time.Sleep(refusedPause)
		a.token = func(int) (int, string) { return 500, "" }
		_, err = s.Renew(t.Context(), "token-3")
		require.EqualError(t, err, "fhir token: token endpoint: status 500")
		require.Zero(t, ends, "a refused token is held no longer")
		_, err = s.Token(t.Context())
		require.Error(t, err, "nor used")
	})
}

func TestKeyFileIsReadForEachToken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		old, next := jwk(ecKey(), "old", "", ""), jwk(newEC(), "new", "", "")
		file := keyFile(t, old)
		s, a := inMemory(t, func(c *Config) { c.KeyFile = file })
		a.register(must(ParseKeys([]byte(`{"keys":[` + old + `,` + next + `]}`))))
		for _, content := range []string{old, next, marker, ""} {
			require.NoError(t, os.WriteFile(file, []byte(content), 0o600))
			_, err := s.Token(t.Context())
			require.NoError(t, err)
			time.Sleep(5 * time.Minute)
		}
		require.NoError(t, os.Remove(file))
		_, err := s.Token(t.Context())
		require.NoError(t, err)
		require.Equal(t, []string{"old", "new", "new", "new", "new"}, a.kids, "a file that cannot be read leaves the keys read last")
	})
}

func TestDiscoveryFaults(t *testing.T) {
	foreign := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("a foreign server was asked") }))
	defer foreign.Close()
	for name, c := range map[string]struct {
		discovery, want string
		is              error
	}{
		"foreign endpoint": {`{"token_endpoint":"` + foreign.URL + `/token"}`, "token_endpoint leads to another origin than fhir.url; if it is the right one, name it in fhir.token_url", fhirhttp.ErrForeignOrigin},
		"user":             {`{"token_endpoint":"https://` + marker + `:x@fhir.clinic.example/token"}`, "token_endpoint: wants an address without user, password or fragment", nil},
		"no TLS":           {`{"token_endpoint":"http://fhir.clinic.example/token"}`, "token_endpoint: wants https: the token would be readable on the way", nil},
		"relative":         {`{"token_endpoint":"/` + marker + `"}`, "token_endpoint: wants an https address", nil},
		"none":             {`{"issuer":"` + marker + `"}`, "the answer names no token_endpoint", nil},
		"not JSON":         {`<html>` + marker, "the answer is not the JSON that was asked for", nil},
		"named twice":      {`{"token_endpoint":"https://a","token_endpoint":"https://b"}`, "the answer is not the JSON that was asked for", nil},
		"too large":        {strings.Repeat(" ", largestAnswer+1), "answer larger than the limit", fhirhttp.ErrTooLarge},
		"algorithms": {
			`{"token_endpoint":"https://fhir.clinic.example/auth/token","token_endpoint_auth_signing_alg_values_supported":["RS384"]}`,
			"the server does not take signatures by ES384, which is what the first key of fhir.key_file makes", nil,
		},
	} {
		t.Run(name, func(t *testing.T) {
			s, a := serve(t, pkcs8(ecKey()))
			a.discovery = c.discovery
			_, err := s.Token(t.Context())
			require.EqualError(t, err, "fhir token: discovery: "+c.want)
			if c.is != nil {
				require.ErrorIs(t, err, c.is)
			}
			require.Zero(t, a.count())
		})
	}
}

func TestOriginIsSchemeHostAndPort(t *testing.T) {
	of := func(s string) string { return origin(must(ParseEndpoint(s))) }
	for _, same := range []string{"https://fhir.clinic.example/", "https://fhir.clinic.example:443/token?x=1", "https://FHIR.clinic.example"} {
		require.Equal(t, "https://fhir.clinic.example:443", of(same))
	}
	for _, other := range []string{"https://fhir.clinic.example:8443", "https://fhir.clinic.example.org", "https://auth.clinic.example", "http://localhost"} {
		require.NotEqual(t, "https://fhir.clinic.example:443", of(other))
	}
}

// A token endpoint of another origin is asked when the configuration names it, and then nothing is discovered.
func TestConfiguredTokenEndpoint(t *testing.T) {
	s, a := serve(t, pkcs8(ecKey()), func(c *Config) {
		c.TokenURL, c.Base = strings.TrimSuffix(c.Base, "/fhir")+"/auth/token", "https://fhir.clinic.example/r4"
	})
	token, err := s.Token(t.Context())
	require.NoError(t, err)
	require.Equal(t, "token-1", token)
	require.Zero(t, a.asked)

	for url, want := range map[string]string{
		"http://auth.clinic.example/token": "wants https", "ftp://x": "wants an https address", "https://" + marker + "@x/": "wants an address without user",
		"https://x/#" + marker: "wants an address without user, password or fragment", marker: "wants an https address", "https://": "wants an https address",
	} {
		_, err := New(Config{Base: "https://fhir.clinic.example", TokenURL: url, KeyFile: keyFile(t, pkcs8(ecKey()))})
		require.ErrorContains(t, err, "fhir.token_url: "+want)
		require.NotContains(t, err.Error(), marker)
	}
	_, err = New(Config{Base: marker, KeyFile: keyFile(t, pkcs8(ecKey()))})
	require.EqualError(t, err, "fhir.url: must be an absolute http or https URL")
}

func TestNoRedirectIsFollowed(t *testing.T) {
	for _, status := range []int{301, 302, 303, 307, 308} {
		for _, path := range []string{"/fhir/.well-known/smart-configuration", "/auth/token"} {
			var asked []string
			server := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				asked = append(asked, r.URL.Path)
				if r.URL.Path == path {
					w.Header().Set("Location", "/"+marker)
					w.WriteHeader(status)
					return
				}
				fmt.Fprintf(w, `{"token_endpoint":"https://%s/auth/token"}`, r.Host)
			}))
			s, err := New(Config{Base: server.URL + "/fhir", ClientID: client, KeyFile: keyFile(t, pkcs8(ecKey())), Transport: server.Client().Transport})
			require.NoError(t, err)
			_, err = s.Token(t.Context())
			require.ErrorIs(t, err, fhirhttp.ErrRedirect)
			require.NotContains(t, err.Error(), marker)
			require.NotContains(t, asked, "/"+marker)
			server.Close()
		}
	}
}

func TestTokenAnswers(t *testing.T) {
	const good = `"access_token":"x","token_type":"bearer"`
	for name, c := range map[string]struct {
		status     int
		body, want string // "" is a token
	}{
		"no scope in the answer":  {200, `{` + good + `}`, ""},
		"as asked":                {200, `{` + good + `,"scope":"system/Flag.crus system/Patient.rs"}`, ""},
		"version 1 scopes":        {200, `{` + good + `,"scope":"system/*.read system/Flag.*"}`, ""},
		"life as a string":        {200, `{` + good + `,"expires_in":"300"}`, ""},
		"null life":               {200, `{` + good + `,"expires_in":null}`, ""},
		"type in capitals":        {200, `{"access_token":"x","token_type":"BEARER"}`, ""},
		"less than asked":         {200, `{` + good + `,"scope":"system/Patient.r system/Flag.crus"}`, "does not grant system/Patient.rs; have it granted, or leave it out of fhir.scope"},
		"nothing of what we want": {200, `{` + good + `,"scope":"openid ` + marker + `"}`, "does not grant system/Patient.rs system/Flag.crus; have it granted, or leave it out of fhir.scope"},
		"no token":                {200, `{"token_type":"bearer"}`, "the answer holds no access_token"},
		"another type":            {200, `{"access_token":"x","token_type":"` + marker + `"}`, "the token_type is not bearer"},
		"no type":                 {200, `{"access_token":"x"}`, "the token_type is not bearer"},
		"two lines":               {200, `{"access_token":"x\ny","token_type":"bearer"}`, "the access_token cannot stand in a header"},
		"already over":            {200, `{` + good + `,"expires_in":0}`, "expires_in is not a number of seconds ahead"},
		"before":                  {200, `{` + good + `,"expires_in":-5}`, "expires_in is not a number of seconds ahead"},
		"life in words":           {200, `{` + good + `,"expires_in":"` + marker + `"}`, "expires_in is not a number of seconds ahead"},
		"not JSON":                {200, marker, "the answer is not the JSON that was asked for"},
		"created":                 {201, `{` + good + `}`, "status 201"},
		"unknown client":          {400, `{"error":"invalid_client","error_description":"` + marker + `"}`, "status 400 (invalid_client); is the public key, as pupilrisk keys prints it, registered for fhir.client_id?"},
		"scope":                   {400, `{"error":"invalid_scope"}`, "status 400 (invalid_scope); fhir.scope asks for more than the client may have"},
		"unknown error":           {400, `{"error":"` + marker + `"}`, "status 400"},
		"server down":             {502, `<html>` + marker, "status 502"},
	} {
		t.Run(name, func(t *testing.T) {
			s, a := serve(t, pkcs8(ecKey()), func(c *Config) { c.Scope = "system/Patient.rs system/Flag.crus" })
			a.token = func(int) (int, string) { return c.status, c.body }
			token, err := s.Token(t.Context())
			if c.want == "" {
				require.NoError(t, err)
				require.Equal(t, "x", token)
				return
			}
			require.EqualError(t, err, "fhir token: token endpoint: "+c.want)
		})
	}
}

// A refused statement is most often a clock that is wrong.
func TestARefusalTellsOfAWrongClock(t *testing.T) {
	s, a := serve(t, pkcs8(ecKey()))
	a.token = func(int) (int, string) { return 401, "" }
	a.header = map[string]string{"Date": time.Now().Add(-time.Hour).UTC().Format(http.TimeFormat)}
	_, err := s.Token(t.Context())
	require.ErrorContains(t, err, "status 401; this machine's clock and the server's differ by 1h0m")
	for _, off := range []time.Duration{0, time.Hour} {
		r := refused(&http.Response{StatusCode: 400, Header: http.Header{"Date": {time.Now().Add(off).UTC().Format(http.TimeFormat)}}}, nil, time.Now())
		require.Equal(t, off != 0, r.clock != 0)
	}
}

func TestAServerThatIsNotThere(t *testing.T) {
	server := httptest.NewServer(nil)
	base := server.URL
	server.Close()
	s, err := New(Config{Base: base, ClientID: client, KeyFile: keyFile(t, pkcs8(ecKey())), Transport: &http.Transport{}})
	require.NoError(t, err)
	_, err = s.Token(t.Context())
	require.EqualError(t, err, "fhir token: discovery: connection refused")
}
