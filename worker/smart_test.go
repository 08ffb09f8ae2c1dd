package worker

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirhttp"
	"pupilrisk/worker/fhirstore"
)

// keyPair writes a fresh key, and a certificate for it that ends at end.
func keyPair(t *testing.T, end time.Time) (certFile, keyFile string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "clinic"}, NotBefore: end.Add(-time.Hour), NotAfter: end}
	cert, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	require.NoError(t, err)
	private, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	certFile, keyFile = filepath.Join(t.TempDir(), "cert"), filepath.Join(t.TempDir(), "key")
	require.NoError(t, os.WriteFile(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert}), 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}), 0o600))
	return certFile, keyFile
}

// A FHIR server that wants tokens is reached with nothing but a client id and a key; when it refuses one, a new one is fetched; when
// none is granted, everything waits, and the reason is told.
func TestFHIRServerThatWantsTokens(t *testing.T) {
	store := fhirstore.New(fhirstore.Options{})
	issued, scope, good := 0, "system/*.cruds", ""
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case r.URL.Path == "/fhir/.well-known/smart-configuration":
			fmt.Fprintf(w, `{"token_endpoint":"http://%s/token"}`, r.Host)
		case r.URL.Path == "/token":
			issued++
			good = fmt.Sprintf("Bearer token-%d", issued)
			fmt.Fprintf(w, `{"access_token":"token-%d","token_type":"bearer","expires_in":300,"scope":%q}`, issued, scope)
		case r.Header.Get("Authorization") != good || good == "":
			w.WriteHeader(http.StatusUnauthorized)
		default:
			store.ServeHTTP(w, r)
		}
	}))
	defer server.Close()
	_, key := keyPair(t, time.Now())
	cfg := DefaultConfig()
	cfg.FHIRURL, cfg.FHIRClientID, cfg.FHIRClientKey, cfg.FHIRBatch = server.URL+"/fhir", "clinic-worker", key, "off"
	cat := testCatalogue(t)
	metrics := NewMetrics(prometheus.NewRegistry(), "test", cat.Version, Shadow, cat)
	client, err := OpenFHIR(cfg, "test", nil, metrics)
	require.NoError(t, err)
	defer client.Close()

	_, err = client.Capability(t.Context())
	require.NoError(t, err)
	require.InDelta(t, time.Now().Add(5*time.Minute).Unix(), testutil.ToFloat64(metrics.tokenExpiry), 30)
	good = "Bearer another"
	_, err = client.Refresh(t.Context())
	require.NoError(t, err)
	require.Equal(t, 2, issued)

	scope = "system/Patient.rs"
	narrow, err := OpenFHIR(cfg, "test", nil, nil)
	require.NoError(t, err)
	defer narrow.Close()
	_, err = narrow.Refresh(t.Context())
	require.ErrorContains(t, err, "does not grant system/Appointment.rs system/ServiceRequest.rs")
	require.Equal(t, fhirhttp.Unavailable, fhirhttp.KindOf(err), "it says nothing of a record: everything waits")

	cfg.FHIRScope = "system/Patient.rs"
	w := &Worker{brake: &brake{}, cfg: cfg, fhir: client}
	require.Contains(t, strings.Join(w.warnings(t.Context()), "\n"), "warning: fhir.scope does not ask for system/Appointment.rs system/ServiceRequest.rs ")

	cfg.FHIRClientKey = filepath.Join(t.TempDir(), "none")
	_, err = OpenFHIR(cfg, "test", nil, nil)
	require.ErrorContains(t, err, "fhir: fhir.key_file: ")
}

// The README lists the rights to ask the clinic for, which are those that are asked of the server.
func TestREADMENamesEveryScope(t *testing.T) {
	text, err := os.ReadFile("../README.md")
	require.NoError(t, err)
	named := regexp.MustCompile("`(system/[^`]*)`").FindStringSubmatch(string(text))
	require.NotNil(t, named)
	require.Equal(t, strings.Fields(strings.ReplaceAll(LeastScopes, "system/", "")), strings.Fields(strings.ReplaceAll(named[1], "system/", "")))
}

func TestCertificateExpiry(t *testing.T) {
	end := time.Now().Add(48 * time.Hour).Truncate(time.Second)
	cert, key := keyPair(t, end)
	cat := testCatalogue(t)
	metrics := NewMetrics(prometheus.NewRegistry(), "test", cat.Version, Shadow, cat)
	is := func(cfg Config, want map[string]time.Time) {
		t.Helper()
		metrics.setCertificateExpiry(cfg)
		for _, name := range []string{"fhir-client", "nats-client", "nats-listener", "mllp", "webhook"} {
			require.Equal(t, timestamp(want[name]), testutil.ToFloat64(metrics.certificateExpiry.WithLabelValues(name)), name)
		}
	}
	is(Config{FHIRCertFile: cert, NATSURL: "tls://nats.clinic.example", NATSCertFile: cert}, map[string]time.Time{"fhir-client": end, "nats-client": end})
	is(Config{NATSCertFile: cert, MLLPCertFile: cert, WebhookCertFile: key}, map[string]time.Time{"nats-listener": end, "mllp": end})
	is(Config{MLLPCertFile: cert + "x"}, nil)
}
