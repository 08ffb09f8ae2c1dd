package stream_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream"
)

// authority is a certificate authority of the test's own.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	file string
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{cert: &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageCertSign,
	}}
	a.file, _ = a.issue(t, a.cert, nil)
	return a
}

// issue signs template and returns the files of the certificate and its key.
func (a *authority) issue(t *testing.T, template *x509.Certificate, ips []net.IP) (certFile, keyFile string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	if a.key == nil {
		a.key = key
	}
	template.IPAddresses = ips
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, key.Public(), a.key)
	require.NoError(t, err)
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	dir := t.TempDir()
	certFile, keyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	require.NoError(t, os.WriteFile(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600))
	return certFile, keyFile
}

func leaf() *x509.Certificate {
	return &x509.Certificate{
		SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "test"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
}

func TestListenerBeyondLoopback(t *testing.T) {
	t.Parallel()
	ca := newAuthority(t)
	cert, key := ca.issue(t, leaf(), []net.IP{net.IPv4(127, 0, 0, 1)})
	s := open(t, stream.Config{
		StoreDir: t.TempDir(), Listen: "0.0.0.0:0", CertFile: cert, KeyFile: key, CAFile: ca.file,
	})
	require.NoError(t, s.Ready(), "the worker's own connection needs no certificate")
	require.True(t, strings.HasPrefix(s.URL(), "tls://localhost:"), s.URL())
	url := strings.Replace(s.URL(), "localhost", "127.0.0.1", 1)
	token, err := os.ReadFile(s.TokenFile())
	require.NoError(t, err)
	secret := nats.Token(strings.TrimSpace(string(token)))
	_, err = nats.Connect(url, secret)
	require.Error(t, err, "the authority is unknown")
	_, err = nats.Connect(url, secret, nats.RootCAs(ca.file))
	require.Error(t, err, "a publisher without certificate")

	// Another worker uses this server as the clinic's own.
	own, ownKey := ca.issue(t, leaf(), nil)
	manage := false
	other := open(t, stream.Config{
		URL: url, TokenFile: s.TokenFile(), CAFile: ca.file, CertFile: own, KeyFile: ownKey, Manage: &manage,
	})
	require.NoError(t, other.Ready())
	publish(t, other, "clinic.booking.a", "event")
	require.Equal(t, "event", string(next(t, s).Data()))

	untrusting := open(t, stream.Config{URL: url, TokenFile: s.TokenFile(), Manage: &manage})
	requireNotReady(t, untrusting, "certificate")
}
