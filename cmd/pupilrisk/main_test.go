package main

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream/streamtest"
)

// call runs a command as main does.
func call(t *testing.T, ctx context.Context, in string, environ []string, args ...string) (code int, out, err string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(ctx, surroundings{in: strings.NewReader(in), out: &o, err: &e, environ: environ}, args)
	return code, o.String(), e.String()
}

func TestUsageFaultsAreOneLineAndExitTwo(t *testing.T) {
	config := filepath.Join(t.TempDir(), "c.yaml")
	require.NoError(t, os.WriteFile(config, []byte("fhir:\n  urll: http://x/fhir\n"), 0o600))
	for name, c := range map[string]struct {
		args []string
		want string
	}{
		"no such command":       {[]string{"watch"}, `no command "watch"`},
		"no file":               {[]string{"assess"}, "assess wants at least one FILE"},
		"bad format":            {[]string{"demo", "--format", "xml"}, `--format: "xml" is none of text, json`},
		"bad time":              {[]string{"assess", "--at", "today", "-"}, `--at: "today" is no time`},
		"serve without server":  {[]string{"serve"}, "fhir.url: is required"},
		"serve with bad config": {[]string{"serve", "--config", config}, "c.yaml:2: fhir.urll: unknown key"},
		"config is not there":   {[]string{"serve", "--config", config + "x"}, "--config: cannot read the file"},
		"bad date":              {[]string{"list", "--from", "1.2.2026"}, "fhir.url: is required"},
		"catalogue without verb": {
			[]string{"catalogue"}, "catalogue takes: check [DIR], list, or codes FACTOR",
		},
		"no such factor": {[]string{"catalogue", "codes", "x"}, `no factor "x"`},
		"bad letter":     {[]string{"deadletter", "show", "x"}, `"x" is no number of a dead letter`},
	} {
		t.Run(name, func(t *testing.T) {
			code, _, err := call(t, t.Context(), "", nil, c.args...)
			require.Equal(t, exitUsage, code, err)
			require.Contains(t, err, c.want)
			require.Equal(t, 1, strings.Count(strings.TrimSpace(err), "\n")+1, err)
		})
	}
}

// The key comes first: its public half is registered, and a client id given for it.
func TestKeysPrintsThePublicKeys(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	require.NoError(t, err)
	der, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "key.pem")
	require.NoError(t, os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600))
	config := filepath.Join(t.TempDir(), "c.yaml")
	require.NoError(t, os.WriteFile(config, []byte("fhir:\n  key_file: "+file+"\n"), 0o600))
	code, out, text := call(t, t.Context(), "", nil, "keys", "--config", config)
	require.Equal(t, exitDone, code, text)
	var set struct{ Keys []map[string]string }
	require.NoError(t, json.Unmarshal([]byte(out), &set))
	require.Len(t, set.Keys, 1)
	require.Equal(t, "ES384", set.Keys[0]["alg"])
	require.NotContains(t, set.Keys[0], "d")

	require.NoError(t, os.WriteFile(file, nil, 0o600))
	for _, c := range []struct{ environ, want string }{
		{"HOME=/", "fhir.key_file: is required (or PUPILRISK_FHIR_KEY_FILE)"},
		{"PUPILRISK_FHIR_KEY_FILE=" + file + "x", "fhir.key_file: no such file or directory"},
		{"PUPILRISK_FHIR_KEY_FILE=" + file, "fhir.key_file: holds no private key"},
	} {
		code, out, text := call(t, t.Context(), "", []string{c.environ}, "keys")
		require.Equal(t, exitUsage, code, text)
		require.Contains(t, text, c.want)
		require.Empty(t, out)
	}
}

func TestCatalogueCommands(t *testing.T) {
	code, out, err := call(t, t.Context(), "", nil, "catalogue", "check")
	require.Equal(t, exitDone, code, err)
	require.Contains(t, out, "no fault")
	code, out, err = call(t, t.Context(), "", nil, "catalogue", "list")
	require.Equal(t, exitDone, code, err)
	require.Contains(t, out, "tamsulosin")
	code, out, err = call(t, t.Context(), "", nil, "catalogue", "codes", "tamsulosin")
	require.Equal(t, exitDone, code, err)
	require.Contains(t, out, "77492")
	require.NotContains(t, out, "[from memory]")
	code, out, err = call(t, t.Context(), "", nil, "catalogue", "codes", "vitrectomy")
	require.Equal(t, exitDone, code, err)
	require.Contains(t, out, "C79.2  Vitrectomy using pars plana approach [from memory]\n")

	dir := t.TempDir()
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "factors"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "factors", "site.yaml"), []byte("- factor: x\n  hazrad: floppy-iris\n"), 0o600))
	code, _, err = call(t, t.Context(), "", nil, "catalogue", "check", dir)
	require.Equal(t, exitFailed, code)
	require.Contains(t, err, "site.yaml:2")
}

const assessed = `{"resourceType":"Bundle","type":"collection","entry":[
{"resource":{"resourceType":"Patient","id":"p","name":[{"family":"Invented"}]}},
{"resource":{"resourceType":"MedicationStatement","id":"m","status":"stopped","subject":{"reference":"Patient/p"},"effectivePeriod":{"end":"2014"},"medicationCodeableConcept":{"text":"Tamsulosin 400 micrograms"}}},
{"resource":{"resourceType":"Appointment","id":"a","status":"booked","start":"2026-12-01T09:00:00Z","end":"2026-12-01T09:30:00Z","description":"Phaco + IOL OD","participant":[{"actor":{"reference":"Patient/p"},"status":"accepted"}]}}]}`

func TestAssessFormats(t *testing.T) {
	at := []string{"assess", "--at", "2026-11-25T08:00:00Z"}
	code, out, err := call(t, t.Context(), assessed, nil, append(at, "-")...)
	require.Equal(t, exitDone, code, err)
	require.Contains(t, out, "floppy iris, RIGHT eye: tamsulosin, stopped 2014 (still counts)")

	code, out, err = call(t, t.Context(), assessed, nil, append(at, "--format", "json", "-")...)
	require.Equal(t, exitDone, code, err)
	var a struct {
		Patient, Appointment, Start, Eye, Outcome, Catalogue string
		Complete                                             *bool
		Findings, Context, Gaps, Preparations                []map[string]any
	}
	require.NoError(t, json.Unmarshal([]byte(out), &a))
	require.Equal(t, "right", a.Eye)
	require.Equal(t, "flagged", a.Outcome)
	require.Equal(t, "2026-12-01T09:00:00Z", a.Start)
	require.NotNil(t, a.Complete)
	require.NotEmpty(t, a.Findings)
	require.NotEmpty(t, a.Preparations)

	code, out, err = call(t, t.Context(), assessed, nil, append(at, "--format", "fhir", "-")...)
	require.Equal(t, exitDone, code, err)
	require.Contains(t, out, `"type":"transaction"`)
	require.Contains(t, out, `"resourceType":"Provenance"`)

	for name, in := range map[string]string{
		"not JSON": "{", "not FHIR": `{"a":1}`, "too deep": strings.Repeat("[", 70) + strings.Repeat("]", 70), "nothing": "",
	} {
		code, _, err = call(t, t.Context(), in, nil, append(at, "-")...)
		if name == "nothing" {
			require.Equal(t, exitDone, code, err)
			continue
		}
		require.Equal(t, exitFailed, code, name)
	}
}

func TestDemoCommand(t *testing.T) {
	code, out, err := call(t, t.Context(), "", nil, "demo")
	require.Equal(t, exitDone, code, err)
	require.Empty(t, err)
	for _, want := range []string{"invented", "EXPECT", "HAVE READY", "not a clearance", "Decision support only", "NOT GOING AHEAD"} {
		require.Contains(t, out, want)
	}
	code, out, err = call(t, t.Context(), "", nil, "demo", "--format", "json")
	require.Equal(t, exitDone, code, err)
	for line := range strings.Lines(out) {
		require.True(t, json.Valid([]byte(line)), line)
	}
}

// serve starts with nothing but a FHIR server, is ready, is asked by probe and list and deadletter, and ends on its signal
// with exit 0.
func TestServeProbeListAndEnd(t *testing.T) {
	store := fhirstore.New(fhirstore.DefaultOptions())
	for _, r := range []string{
		`{"resourceType":"Patient","id":"p","identifier":[{"value":"MRN-9"}],"name":[{"family":"Invented"}]}`,
		`{"resourceType":"MedicationStatement","id":"m","status":"stopped","subject":{"reference":"Patient/p"},"medicationCodeableConcept":{"text":"Tamsulosin"}}`,
		`{"resourceType":"Appointment","id":"a","status":"booked","start":"` + time.Now().Add(48*time.Hour).UTC().Format(time.RFC3339) + `","end":"` + time.Now().Add(49*time.Hour).UTC().Format(time.RFC3339) + `","description":"Cataract surgery, left eye","participant":[{"actor":{"reference":"Patient/p"},"status":"accepted"}]}`,
	} {
		require.NoError(t, store.Put([]byte(r)))
	}
	server, err := fhirstore.Serve(store, "127.0.0.1:0")
	require.NoError(t, err)
	defer server.Close(context.Background())
	environ := []string{
		"PUPILRISK_FHIR_URL=" + server.URL(), "PUPILRISK_NATS_STORE_DIR=" + t.TempDir(), "PUPILRISK_MODE=live",
		"PUPILRISK_NATS_LISTEN=" + freeAddr(t), "PUPILRISK_HTTP_ADDR=" + freeAddr(t), "PUPILRISK_INTAKE_MLLP_ADDR=" + freeAddr(t),
	}
	addr := strings.TrimPrefix(environ[4], "PUPILRISK_HTTP_ADDR=")
	door := strings.TrimPrefix(environ[5], "PUPILRISK_INTAKE_MLLP_ADDR=")
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan int, 1)
	var log string
	go func() {
		var code int
		code, _, log = call(t, ctx, "", environ, "serve")
		ended <- code
	}()
	require.Eventually(t, func() bool { code, _, _ := call(t, t.Context(), "", environ, "probe"); return code == exitDone }, 20*time.Second, 50*time.Millisecond)
	require.Eventually(t, func() bool { return len(store.All("Flag")) == 1 }, 20*time.Second, 20*time.Millisecond, "the sweep flags with no event")

	code, out, text := call(t, t.Context(), "", environ, "list", "--days", "5")
	require.Equal(t, exitDone, code, text)
	require.Contains(t, out, "EXPECT")
	require.Contains(t, out, "LEFT")
	require.NotContains(t, out, "RIGHT")

	sender, err := net.Dial("tcp", door)
	require.NoError(t, err)
	defer sender.Close()
	_, err = io.WriteString(sender, "\x0bMSH|^~\\&|S|E|P|E|"+time.Now().Format("20060102150405")+"||SIU^S12|C-1|P|2.5.1\rSCH||F-77|||||||||^^^"+time.Now().Add(72*time.Hour).UTC().Format("200601021504")+
		"\rPID|1||MRN-9\rRGS|1\rAIS|1||^Cataract surgery, right eye\r\x1c\r")
	require.NoError(t, err)
	require.Eventually(t, func() bool { return len(store.All("Flag")) == 2 }, 20*time.Second, 20*time.Millisecond, "a booking that only HL7 v2 knows")
	code, out, text = call(t, t.Context(), "", environ, "list", "--days", "5")
	require.Equal(t, exitDone, code, text)
	require.Contains(t, out, "RIGHT")
	require.NotContains(t, out, "NOT on this list")
	code, out, text = call(t, t.Context(), "", environ, "deadletter", "list")
	require.Equal(t, exitDone, code, text)
	require.Contains(t, out, "0 dead letters")
	token, err := os.ReadFile(filepath.Join(strings.TrimPrefix(environ[1], "PUPILRISK_NATS_STORE_DIR="), "token"))
	require.NoError(t, err)
	publisher, err := nats.Connect("nats://"+strings.TrimPrefix(environ[3], "PUPILRISK_NATS_LISTEN="), nats.Token(strings.TrimSpace(string(token))))
	require.NoError(t, err)
	defer publisher.Close()
	require.NoError(t, publisher.Publish("clinic.booking.x", []byte("Invented nonsense")))
	require.NoError(t, publisher.Flush())
	var letters []letterJSON
	require.Eventually(t, func() bool {
		_, out, _ := call(t, t.Context(), "", environ, "deadletter", "list", "--format", "json")
		require.NotContains(t, out, "Invented")
		letters = objects[letterJSON](t, out)
		return len(letters) == 1
	}, 20*time.Second, 50*time.Millisecond)
	code, out, text = call(t, t.Context(), "", environ, "deadletter", "show", strconv.FormatUint(letters[0].Number, 10), "--format", "json")
	require.Equal(t, exitDone, code, text)
	require.Equal(t, "Invented nonsense", objects[contentJSON](t, out)[0].Payload)
	code, out, text = call(t, t.Context(), "", environ, "serve", "--check")
	require.Equal(t, exitDone, code, text)
	require.Contains(t, out, "connected, streams and consumers are there")
	require.Contains(t, out, "1 appointments in the horizon")

	answer, err := http.Get("http://" + addr + "/metrics")
	require.NoError(t, err)
	var body bytes.Buffer
	_, err = body.ReadFrom(answer.Body)
	require.NoError(t, err)
	answer.Body.Close()
	require.Contains(t, body.String(), `pupilrisk_mode_info{mode="live"} 1`)
	require.NotContains(t, body.String(), "Invented")
	stop()
	require.Equal(t, exitDone, <-ended, log)
	code, out, text = call(t, t.Context(), "", environ, "list", "--days", "5")
	require.Equal(t, exitDone, code, text)
	require.Contains(t, out, "bookings that only HL7 v2 knows are NOT on this list")
	for _, private := range []string{"Invented", "Patient/p", "Tamsulosin", "Appointment/a", "F-77", "MRN-9"} {
		require.NotContains(t, log, private, "logs hold nothing about a patient")
	}
}

func freeAddr(t testing.TB) string {
	t.Helper()
	return net.JoinHostPort("127.0.0.1", strconv.Itoa(streamtest.FreePort(t)))
}
