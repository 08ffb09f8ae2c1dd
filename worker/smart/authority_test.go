package smart

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha512"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	// marker stands for whatever is secret or written by a server: it may be in what is read, never in an error's text.
	marker = "Zz-Marker-Zz"
	client = "clinic-worker"
)

// Keys are made once: an RSA key takes a while.
var (
	rsaKey = sync.OnceValue(func() *rsa.PrivateKey { return must(rsa.GenerateKey(rand.Reader, 2048)) })
	ecKey  = sync.OnceValue(newEC)
)

func newEC() *ecdsa.PrivateKey { return must(ecdsa.GenerateKey(elliptic.P384(), rand.Reader)) }

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func pemOf(typ string, der []byte) string {
	return string(pem.EncodeToMemory(&pem.Block{Type: typ, Bytes: der}))
}

func pkcs8(key any) string { return pemOf("PRIVATE KEY", must(x509.MarshalPKCS8PrivateKey(key))) }

func keyFile(t *testing.T, content string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "key")
	require.NoError(t, os.WriteFile(file, []byte(content), 0o600))
	return file
}

// authority is an authorization server as the standard describes it, for one client. It checks a signed statement with the standard
// library alone.
type authority struct {
	mu     sync.Mutex
	aud    string            // its token endpoint, as a client must name it
	public map[string]public // by key id, as registered
	used   map[string]bool   // jti
	forms  []map[string][]string
	kids   []string
	asked  int // for discovery

	// What it answers, where a test wants something else.
	discovery string
	token     func(n int) (status int, body string)
	header    map[string]string
}

type public struct {
	algorithm string
	key       crypto.PublicKey
}

func newAuthority(aud string, keys Keys) *authority {
	a := &authority{aud: aud, public: map[string]public{}, used: map[string]bool{}}
	a.discovery = `{"token_endpoint":"` + aud + `","token_endpoint_auth_signing_alg_values_supported":["RS384","ES384"],"capabilities":["client-confidential-asymmetric"]}`
	a.token = func(n int) (int, string) {
		return 200, fmt.Sprintf(`{"access_token":"token-%d","token_type":"bearer","expires_in":300,"scope":"system/*.cruds"}`, n)
	}
	a.register(keys)
	return a
}

// register reads the published JWKS by hand.
func (a *authority) register(keys Keys) {
	var set struct {
		Keys []struct{ Kty, Kid, Alg, Use, N, E, Crv, X, Y, D string }
	}
	if err := json.Unmarshal(must(keys.Public()), &set); err != nil {
		panic(err)
	}
	number := func(s string) *big.Int {
		return new(big.Int).SetBytes(must(base64.RawURLEncoding.DecodeString(s)))
	}
	for _, k := range set.Keys {
		switch {
		case k.D != "" || k.Use != "sig" || k.Kid == "":
			panic("not a public key for signatures with an id")
		case k.Kty == "RSA":
			a.public[k.Kid] = public{k.Alg, &rsa.PublicKey{N: number(k.N), E: int(number(k.E).Int64())}}
		case k.Kty == "EC" && k.Crv == "P-384":
			point := append(append([]byte{4}, must(base64.RawURLEncoding.DecodeString(k.X))...), must(base64.RawURLEncoding.DecodeString(k.Y))...)
			a.public[k.Kid] = public{k.Alg, must(ecdsa.ParseUncompressedPublicKey(elliptic.P384(), point))}
		default:
			panic("unknown kind of key")
		}
	}
}

func (a *authority) verify(assertion string, now time.Time) (kid string, err error) {
	parts := strings.Split(assertion, ".")
	if len(parts) != 3 {
		return "", errors.New("not a compact JWS")
	}
	var head struct{ Alg, Kid, Typ string }
	var claims struct {
		Iss, Sub, Aud, Jti string
		Exp                int64
	}
	for i, into := range []any{&head, &claims} {
		raw, err := base64.RawURLEncoding.DecodeString(parts[i])
		if err != nil {
			return "", err
		}
		if err := json.Unmarshal(raw, into); err != nil {
			return "", err
		}
	}
	signature, err := base64.RawURLEncoding.DecodeString(parts[2])
	if err != nil {
		return "", err
	}
	digest := sha512.Sum384([]byte(parts[0] + "." + parts[1]))
	key, known := a.public[head.Kid]
	switch {
	case !known || head.Typ != "JWT" || head.Alg != key.algorithm:
		return "", errors.New("header")
	case head.Alg == "RS384":
		if rsa.VerifyPKCS1v15(key.key.(*rsa.PublicKey), crypto.SHA384, digest[:], signature) != nil {
			return "", errors.New("signature")
		}
	case head.Alg == "ES384":
		if len(signature) != 96 {
			return "", errors.New("signature")
		}
		r, s := new(big.Int).SetBytes(signature[:48]), new(big.Int).SetBytes(signature[48:])
		if !ecdsa.Verify(key.key.(*ecdsa.PublicKey), digest[:], r, s) {
			return "", errors.New("signature")
		}
	default:
		return "", errors.New("algorithm")
	}
	expires := time.Unix(claims.Exp, 0)
	switch {
	case claims.Iss != client || claims.Sub != client:
		return "", errors.New("client")
	case claims.Aud != a.aud:
		return "", errors.New("audience")
	case !now.Before(expires) || expires.After(now.Add(5*time.Minute)):
		return "", errors.New("expiry")
	case len(claims.Jti) < 16 || a.used[claims.Jti]:
		return "", errors.New("replay")
	}
	a.used[claims.Jti] = true
	return head.Kid, nil
}

func (a *authority) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for name, value := range a.header {
		w.Header().Set(name, value)
	}
	w.Header().Set("Content-Type", "application/json")
	switch {
	case r.Method == http.MethodGet && r.URL.Path == "/fhir/.well-known/smart-configuration":
		a.asked++
		fmt.Fprint(w, a.discovery)
	case r.Method == http.MethodPost && r.URL.Path == "/auth/token" && r.Header.Get("Content-Type") == "application/x-www-form-urlencoded" && r.Header.Get("Authorization") == "":
		if r.ParseForm() != nil {
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		kid, err := a.verify(r.PostForm.Get("client_assertion"), time.Now())
		if err != nil {
			w.WriteHeader(http.StatusUnauthorized)
			fmt.Fprintf(w, `{"error":"invalid_client","error_description":"%s %v"}`, marker, err)
			return
		}
		a.forms, a.kids = append(a.forms, r.PostForm), append(a.kids, kid)
		status, body := a.token(len(a.forms))
		w.WriteHeader(status)
		fmt.Fprint(w, body)
	default:
		w.WriteHeader(http.StatusNotFound)
	}
}

// count is how many good requests for a token there were.
func (a *authority) count() int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return len(a.forms)
}

// set changes what the authority answers.
func (a *authority) set(f func()) {
	a.mu.Lock()
	defer a.mu.Unlock()
	f()
}

// serve is an authority over TLS beside the FHIR base, and a source that finds it by discovery.
func serve(t *testing.T, key string, set ...func(*Config)) (*Source, *authority) {
	t.Helper()
	var a *authority
	server := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { a.ServeHTTP(w, r) }))
	t.Cleanup(server.Close)
	a = newAuthority(server.URL+"/auth/token", must(ParseKeys([]byte(key))))
	transport := server.Client().Transport.(*http.Transport)
	t.Cleanup(transport.CloseIdleConnections)
	cfg := Config{Base: server.URL + "/fhir", ClientID: client, KeyFile: keyFile(t, key), Scope: "system/Patient.rs", Transport: transport}
	for _, f := range set {
		f(&cfg)
	}
	s, err := New(cfg)
	require.NoError(t, err)
	return s, a
}

// inMemory is a source whose requests call the authority directly, for use where time is that of a synctest bubble.
func inMemory(t *testing.T, set ...func(*Config)) (*Source, *authority) {
	t.Helper()
	key := pkcs8(ecKey())
	a := newAuthority("https://fhir.clinic.example/auth/token", must(ParseKeys([]byte(key))))
	cfg := Config{Base: "https://fhir.clinic.example/fhir/", ClientID: client, KeyFile: keyFile(t, key), Scope: "system/Patient.rs", Transport: direct{a}}
	for _, f := range set {
		f(&cfg)
	}
	s, err := New(cfg)
	require.NoError(t, err)
	return s, a
}

// direct is a transport without a network.
type direct struct{ handler http.Handler }

func (d direct) RoundTrip(r *http.Request) (*http.Response, error) {
	if err := r.Context().Err(); err != nil {
		return nil, err
	}
	w := httptest.NewRecorder()
	d.handler.ServeHTTP(w, r)
	return w.Result(), nil
}

// The authority itself must be able to say no, or nothing that it accepts proves anything.
func TestTheAuthorityRefusesWhatItMust(t *testing.T) {
	keys := must(ParseKeys([]byte(pkcs8(ecKey()) + pkcs8(rsaKey()))))
	const aud = "https://fhir.clinic.example/auth/token"
	now := time.Now()
	statement := func(client, aud string, at time.Time) string { return must(keys.assertion(client, aud, at)) }
	good := statement(client, aud, now)
	a := newAuthority(aud, keys)
	_, err := a.verify(good, now)
	require.NoError(t, err)
	for want, assertion := range map[string]string{
		"replay":   good,
		"audience": statement(client, aud+"/other", now),
		"client":   statement("other", aud, now),
		"expiry":   statement(client, aud, now.Add(-assertionLife-time.Second)),
		"header":   must(Keys{must(ParseKeys([]byte(pkcs8(newEC()))))[0]}.assertion(client, aud, now)),
	} {
		_, err := a.verify(assertion, now)
		require.EqualError(t, err, want)
	}
	_, err = a.verify(statement(client, aud, now.Add(2*time.Minute)), now)
	require.EqualError(t, err, "expiry", "more than five minutes ahead")
	for _, signer := range []Keys{keys[:1], keys[1:]} {
		parts := strings.Split(must(signer.assertion(client, aud, now)), ".")
		other := strings.Split(must(signer.assertion(client, aud, now)), ".")
		_, err = a.verify(parts[0]+"."+other[1]+"."+parts[2], now)
		require.EqualError(t, err, "signature")
	}
}
