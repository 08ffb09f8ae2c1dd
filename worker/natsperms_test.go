package worker

import (
	"context"
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
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream"
)

// clinicNATS is a NATS server that runs with deploy/nats/nats.conf as it stands.
type clinicNATS struct {
	url, ca string
	seeds   map[string]string // by role: the file with the seed of its nkey
}

func startClinicNATS(t *testing.T) clinicNATS {
	t.Helper()
	certificate, key := selfSigned(t)
	t.Setenv("NATS_CERT_FILE", certificate)
	t.Setenv("NATS_KEY_FILE", key)
	t.Setenv("NATS_STORE_DIR", t.TempDir())
	n := clinicNATS{ca: certificate, seeds: map[string]string{}}
	for role, variable := range map[string]string{"publisher": "NATS_PUBLISHER", "worker": "NATS_WORKER", "operator": "NATS_OPERATOR", "setup": "NATS_SETUP"} {
		pair, err := nkeys.CreateUser()
		require.NoError(t, err)
		public, err := pair.PublicKey()
		require.NoError(t, err)
		t.Setenv(variable, public)
		seed, err := pair.Seed()
		require.NoError(t, err)
		n.seeds[role] = filepath.Join(t.TempDir(), role)
		require.NoError(t, os.WriteFile(n.seeds[role], seed, 0o600))
	}
	opts, err := server.ProcessConfigFile(filepath.Join("..", "deploy", "nats", "nats.conf"))
	require.NoError(t, err)
	opts.Host, opts.Port, opts.NoLog, opts.NoSigs = "127.0.0.1", -1, true, true
	srv, err := server.NewServer(opts)
	require.NoError(t, err)
	srv.Start()
	t.Cleanup(func() { srv.Shutdown(); srv.WaitForShutdown() })
	require.True(t, srv.ReadyForConnections(10*time.Second))
	n.url = srv.ClientURL()
	return n
}

// selfSigned makes a certificate of 127.0.0.1 that is its own authority.
func selfSigned(t *testing.T) (certFile, keyFile string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	require.NoError(t, err)
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	dir := t.TempDir()
	certFile, keyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	require.NoError(t, os.WriteFile(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600))
	return certFile, keyFile
}

// config is the configuration of a worker, or of a command, in a role.
func (n clinicNATS) config(role string) Config {
	cfg := DefaultConfig()
	cfg.NATSURL, cfg.NATSCAFile, cfg.NATSNKey = n.url, n.ca, n.seeds[role]
	cfg.NATSManage = OptBool{Set: true, Value: role == "setup"}
	return cfg
}

// connect is a client of another make in a role.
func (n clinicNATS) connect(t *testing.T, role, inbox string) *nats.Conn {
	t.Helper()
	nkey, err := nats.NkeyOptionFromSeed(n.seeds[role])
	require.NoError(t, err)
	conn, err := nats.Connect(n.url, nats.RootCAs(n.ca), nkey, nats.CustomInboxPrefix(inbox), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	require.NoError(t, err)
	t.Cleanup(conn.Close)
	return conn
}

// openAs opens the stream in a role, and counts what the server forbids.
func (n clinicNATS) openAs(t *testing.T, role string) *stream.Stream {
	t.Helper()
	c := streamConfig(n.config(role), nil)
	c.OnEvent = func(kind string) {
		if kind == stream.EventPermission {
			t.Errorf("%s lacks a permission", role)
		}
	}
	s, err := stream.Open(t.Context(), c)
	require.NoError(t, err)
	t.Cleanup(func() {
		closing, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		require.NoError(t, s.Close(closing))
	})
	return s
}

// bucketNames are the buckets that the worker's source names.
func bucketNames(t *testing.T) (names []string) {
	t.Helper()
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		for _, m := range regexp.MustCompile(`Bucket\s*= "(CLINIC_[A-Z]+)"`).FindAllSubmatch(text, -1) {
			names = append(names, string(m[1]))
		}
	}
	require.Contains(t, names, shadowBucket)
	require.Contains(t, names, leaseBucket)
	return names
}

// With the permissions of deploy/nats/nats.conf, and no others, each role can do its work: setup makes the streams, a
// publisher books, the worker flags in every mode, an operator mends.
func TestNATSRolesSufficeForTheWork(t *testing.T) {
	for name, direct := range map[string]bool{"as the worker makes the streams": false, "with direct reads": true} {
		t.Run(name, func(t *testing.T) { natsRolesSuffice(t, direct) })
	}
}

func natsRolesSuffice(t *testing.T, direct bool) {
	n := startClinicNATS(t)
	setup := n.openAs(t, "setup")
	require.NoError(t, setup.Ready(), "streams and consumers are made")
	conf := deployFile(t, "nats", "nats.conf")
	for _, bucket := range bucketNames(t) {
		ttl := time.Duration(0)
		if bucket == leaseBucket {
			ttl = leaseTime
		}
		_, err := setup.Bucket(t.Context(), bucket, ttl)
		require.NoError(t, err)
		require.Equal(t, 2, strings.Count(conf, `"$KV.`+bucket+`.>"`), "worker and setup write to %s", bucket)
		require.Contains(t, deployFile(t, "nats", "README.md"), "`"+bucket+"`")
	}

	// The command-line tool makes streams that answer direct reads, ours are made without.
	admin, err := jetstream.New(n.connect(t, "setup", "_INBOX"))
	require.NoError(t, err)
	for _, name := range []string{stream.Clinic, stream.ClinicDeadLetter} {
		stands, err := admin.Stream(t.Context(), name)
		require.NoError(t, err)
		c := stands.CachedInfo().Config
		require.False(t, c.AllowDirect)
		c.AllowDirect = direct
		_, err = admin.UpdateStream(t.Context(), c)
		require.NoError(t, err)
	}

	publisher := n.connect(t, "publisher", "_INBOX_publisher")
	js, err := jetstream.New(publisher)
	require.NoError(t, err)
	book := func(payload string) {
		_, err := js.Publish(t.Context(), "clinic.booking.new", []byte(payload))
		require.NoError(t, err)
	}
	chooses := fhirstore.DefaultOptions()
	chooses.UpdateCreate = false // the worker then needs its leases
	for name, c := range map[string]struct {
		role    string
		mode    Mode
		options fhirstore.Options
	}{
		"setup, live":   {"setup", Live, fhirstore.DefaultOptions()},
		"worker, live":  {"worker", Live, fhirstore.DefaultOptions()},
		"shadow":        {"worker", Shadow, fhirstore.DefaultOptions()},
		"server's ids":  {"worker", Live, chooses},
		"setup, shadow": {"setup", Shadow, fhirstore.DefaultOptions()},
	} {
		t.Run(name, func(t *testing.T) {
			site := newClinic(t, c.options)
			site.mode = c.mode
			require.NoError(t, site.stream.Close(t.Context()))
			site.stream = n.openAs(t, c.role)
			site.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
			w := site.worker()
			site.run(func() {
				book(`{"reference":"Appointment/a1"}`)
				book(`no event`)
				_, err := js.Publish(t.Context(), "clinic.history.x", []byte(`{"reference":"Patient/bob"}`))
				require.NoError(t, err)
				site.swept(w)
				site.settled()
			}, w)
			want := 1
			if c.mode == Shadow {
				want = 0
			}
			require.Len(t, site.all("Flag", `"active"`), want)
		})
	}

	worker, err := OpenStream(t.Context(), n.config("worker")) // report where the worker runs
	require.NoError(t, err)
	_, err = Report(t.Context(), worker, testCatalogue(t), time.Time{}, time.UTC)
	require.NoError(t, err)
	require.NoError(t, worker.Close(t.Context()))
	operator, err := OpenStream(t.Context(), n.config("operator"))
	require.NoError(t, err)
	letters, err := operator.DeadLetters(t.Context(), 0, 10)
	require.NoError(t, err)
	require.Len(t, letters, 5, "one of each worker")
	letter, err := operator.GetDeadLetter(t.Context(), letters[0].Seq)
	require.NoError(t, err)
	require.Equal(t, "no event", string(letter.Data))
	require.NoError(t, operator.ReplayDeadLetter(t.Context(), letters[0].Seq))
	require.NoError(t, operator.DiscardDeadLetter(t.Context(), letters[1].Seq))
	_, err = Report(t.Context(), operator, testCatalogue(t), time.Time{}, time.UTC)
	require.NoError(t, err)
	require.NoError(t, operator.Close(t.Context()))
	own, err := jetstream.New(n.connect(t, "operator", "_INBOX"))
	require.NoError(t, err)
	shadow, err := own.KeyValue(t.Context(), shadowBucket)
	require.NoError(t, err)
	keys, err := shadow.Keys(t.Context())
	require.NoError(t, err)
	require.Len(t, keys, 1)
	_, err = shadow.Get(t.Context(), keys[0])
	require.NoError(t, err)
}

// What a role has no need of is refused: a publisher reads nobody's events, a worker books nothing, and nobody deletes.
func TestNATSRolesRefuseTheRest(t *testing.T) {
	n := startClinicNATS(t)
	require.NoError(t, n.openAs(t, "setup").Ready())
	_, err := nats.Connect(n.url, nats.RootCAs(n.ca))
	require.ErrorIs(t, err, nats.ErrAuthorization, "nobody without a key")
	everyone := []string{
		"$JS.API.STREAM.MSG.GET.KV_CLINIC_SHADOW",
		"$JS.API.STREAM.DELETE.CLINIC", "$JS.API.STREAM.PURGE.CLINIC", "$JS.API.STREAM.DELETE.CLINIC_DEADLETTER", "$JS.API.STREAM.PURGE.KV_CLINIC_SHADOW",
		"$JS.API.CONSUMER.DELETE.CLINIC.pupilrisk", "$JS.API.STREAM.MSG.DELETE.CLINIC", "$JS.API.STREAM.CREATE.OTHER", "$JS.API.STREAM.LIST", "$SYS.REQ.SERVER.PING",
		"$JS.API.CONSUMER.CREATE.CLINIC.spy", "$JS.API.CONSUMER.CREATE.CLINIC_DEADLETTER.spy", "_INBOX.answer", "other",
	}
	for role, c := range map[string]struct {
		inbox     string
		publish   []string
		subscribe []string
	}{
		"publisher": {
			"_INBOX_publisher",
			[]string{
				"clinic.deadletter.unreadable", "clinic.other.x", "$JS.API.STREAM.MSG.GET.CLINIC", "$JS.API.DIRECT.GET.CLINIC.1", "$JS.API.STREAM.INFO.CLINIC",
				"$JS.API.CONSUMER.MSG.NEXT.CLINIC.pupilrisk", "$JS.ACK.CLINIC.pupilrisk.1.1.1.1.0", "$KV.CLINIC_SHADOW.x", "$KV.CLINIC_LEASES.x",
				"$JS.API.STREAM.UPDATE.CLINIC", "$JS.API.CONSUMER.CREATE.CLINIC.pupilrisk.clinic.booking.>",
			},
			[]string{">", "clinic.>", "clinic.booking.x", "_INBOX.>", "$KV.>", "$JS.>"},
		},
		"worker": {
			"_INBOX",
			[]string{
				"clinic.booking.x", "clinic.history.x", "$JS.API.STREAM.UPDATE.CLINIC", "$JS.API.STREAM.CREATE.CLINIC", "$JS.API.STREAM.MSG.GET.CLINIC_DEADLETTER",
				"$JS.API.STREAM.MSG.DELETE.CLINIC_DEADLETTER", "$JS.API.CONSUMER.CREATE.CLINIC.pupilrisk.clinic.booking.>", "$KV.OTHER.x",
			},
			[]string{">", "clinic.>", "_INBOX_publisher.>", "$KV.>"},
		},
		"operator": {
			"_INBOX",
			[]string{
				"clinic.deadletter.unreadable", "$JS.API.CONSUMER.MSG.NEXT.CLINIC.pupilrisk", "$JS.ACK.CLINIC.pupilrisk.1.1.1.1.0", "$KV.CLINIC_SHADOW.x",
				"$KV.CLINIC_LEASES.x", "$JS.API.STREAM.UPDATE.CLINIC", "$JS.API.STREAM.CREATE.CLINIC",
			},
			[]string{">", "clinic.>", "_INBOX_publisher.>", "$KV.>"},
		},
		"setup": {
			"_INBOX",
			[]string{"clinic.booking.x", "clinic.history.x", "$JS.API.STREAM.CREATE.KV_OTHER", "$JS.API.STREAM.MSG.GET.CLINIC_DEADLETTER", "$KV.OTHER.x"},
			[]string{">", "clinic.>", "_INBOX_publisher.>", "$KV.>"},
		},
	} {
		t.Run(role, func(t *testing.T) {
			for _, subject := range append(everyone, c.publish...) {
				conn := n.connect(t, role, c.inbox)
				require.NoError(t, conn.Publish(subject, []byte("{}")))
				require.NoError(t, conn.Flush())
				require.ErrorIs(t, conn.LastError(), nats.ErrPermissionViolation, "publish %s", subject)
			}
			for _, subject := range c.subscribe {
				conn := n.connect(t, role, c.inbox)
				_, err := conn.SubscribeSync(subject)
				require.NoError(t, err)
				require.NoError(t, conn.Flush())
				require.ErrorIs(t, conn.LastError(), nats.ErrPermissionViolation, "subscribe %s", subject)
			}
		})
	}
}
