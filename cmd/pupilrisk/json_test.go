package main

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
	"pupilrisk/worker"
	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream"
)

// objects decodes what a command printed: one object a line, with no key but those of T.
func objects[T any](t *testing.T, out string) (all []T) {
	t.Helper()
	for line := range strings.Lines(out) {
		var x T
		d := json.NewDecoder(strings.NewReader(line))
		d.DisallowUnknownFields()
		require.NoError(t, d.Decode(&x), line)
		all = append(all, x)
	}
	return all
}

func TestVersionAndCatalogueAsJSON(t *testing.T) {
	get := func(want int, args ...string) string {
		code, out, err := call(t, t.Context(), "", nil, append(args, "--format", "json")...)
		require.Equal(t, want, code, err)
		return out
	}
	v := objects[struct{ Version, Catalogue string }](t, get(exitDone, "version"))
	require.Len(t, v, 1)
	require.Equal(t, version, v[0].Version)
	cat, err := loadCatalogue("")
	require.NoError(t, err)
	require.Equal(t, cat.Version, v[0].Catalogue)

	check := objects[checkedJSON](t, get(exitDone, "catalogue", "check"))
	require.Len(t, check, 1)
	require.Equal(t, len(cat.Factors), check[0].Factors)
	require.Equal(t, cat.Cases(), check[0].WorkedCases)
	require.Empty(t, check[0].Faults)
	dir := t.TempDir()
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "factors"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "factors", "site.yaml"), []byte("- factor: x\n  hazrad: floppy-iris\n"), 0o600))
	check = objects[checkedJSON](t, get(exitFailed, "catalogue", "check", dir))
	require.Contains(t, check[0].Faults[0], "site.yaml:2")

	factors := objects[factorJSON](t, get(exitDone, "catalogue", "list"))
	require.Len(t, factors, len(cat.Factors))
	for i, x := range factors {
		require.Equal(t, cat.Factors[i].ID, x.Factor)
		require.NotEmpty(t, x.Sources, x.Factor)
		byItself := !x.ContextOnly && x.Measured == ""
		require.Equal(t, byItself, x.Level != rules.NoLevel, x.Factor)
		require.Equal(t, x.Measured != "", len(x.Bands) > 0, x.Factor)
		codes := objects[matchJSON](t, get(exitDone, "catalogue", "codes", x.Factor))
		require.Len(t, codes, len(cat.Factors[i].Matches), x.Factor)
	}
	codes := get(exitDone, "catalogue", "codes", "vitrectomy")
	require.Contains(t, codes, `"code":"C79.2","display":"Vitrectomy using pars plana approach","checked":"from memory"`)
}

// withdraw, subscribe and serve --check against a server that stands on a socket.
func TestServerCommandsAsJSON(t *testing.T) {
	store := fhirstore.New(fhirstore.DefaultOptions())
	server, err := fhirstore.Serve(store, "127.0.0.1:0")
	require.NoError(t, err)
	defer server.Close(context.Background())
	secret := filepath.Join(t.TempDir(), "secret")
	require.NoError(t, os.WriteFile(secret, []byte(strings.Repeat("s", 40)), 0o600))
	environ := []string{"PUPILRISK_FHIR_URL=" + server.URL(), "PUPILRISK_HTTP_ADDR=127.0.0.1:0", "PUPILRISK_NATS_LISTEN=" + freeAddr(t), "PUPILRISK_NATS_STORE_DIR=" + t.TempDir(), "PUPILRISK_INTAKE_WEBHOOK_SECRET_FILE=" + secret}

	code, _, text := call(t, t.Context(), "", environ, "withdraw", "--factor", "tamsulosine", "--dry-run")
	require.Equal(t, exitFailed, code)
	require.Contains(t, text, `nothing rests on a factor "tamsulosine"`)
	code, _, _ = call(t, t.Context(), "", environ, "withdraw", "--factor", "tamsulosin", "--dry-run")
	require.Equal(t, exitDone, code)
	var out string
	code, out, text = call(t, t.Context(), "", environ, "withdraw", "--format", "json", "--dry-run")
	require.Equal(t, exitDone, code, text)
	require.JSONEq(t, `{"dryRun":true,"flags":0,"tasks":0,"changedByPerson":0,"changedMeanwhile":0}`, out)

	cfg, cat, err := configured(surroundings{environ: environ}, "")
	require.NoError(t, err)
	registry := prometheus.NewRegistry()
	client, err := worker.OpenFHIR(cfg, version, nil, worker.NewMetrics(registry, version, cat.Version, cfg.Mode, cat))
	require.NoError(t, err)
	defer client.Close()
	_, err = client.Capability(t.Context())
	require.NoError(t, err)
	require.Equal(t, "1 requests to the FHIR server, 0 resources written", withdrawing(registry))

	code, out, text = call(t, t.Context(), "", environ, "subscribe", "--endpoint", "http://127.0.0.1:1/hook", "--format", "json")
	require.Equal(t, exitDone, code, text)
	made := objects[struct{ Reference string }](t, out)
	require.Len(t, made, 1)
	require.True(t, strings.HasPrefix(made[0].Reference, "Subscription/"))

	type checkJSON struct {
		Version, Catalogue string
		Configuration      []keyJSON
		Connections        []connectionJSON
		Works              bool
	}
	code, out, text = call(t, t.Context(), "", environ, "serve", "--check", "--format", "json")
	require.Equal(t, exitDone, code, text)
	check := objects[checkJSON](t, out)[0]
	require.True(t, check.Works)
	require.Contains(t, check.Configuration, keyJSON{"fhir.url", server.URL(), "environment PUPILRISK_FHIR_URL"})
	require.Contains(t, check.Configuration, keyJSON{"sweep.horizon", "90d", "default"})
	require.Contains(t, check.Configuration, keyJSON{"nats.url", "", "default"})
	require.Contains(t, check.Configuration, keyJSON{"intake.webhook.secret_file", secret, "environment PUPILRISK_INTAKE_WEBHOOK_SECRET_FILE"})
	says := map[string]string{}
	for _, c := range check.Connections {
		says[c.What] = c.Says
	}
	require.Contains(t, says["fhir"], "FHIR 4.0.1")
	require.Contains(t, says["fhir bookings"], "0 appointments in the horizon")
	require.Contains(t, says["stream"], "embedded; no worker is running")

	down := httptest.NewServer(http.NotFoundHandler())
	down.Close()
	environ[0] = "PUPILRISK_FHIR_URL=" + down.URL
	code, out, _ = call(t, t.Context(), "", environ, "serve", "--check", "--format", "json")
	require.Equal(t, exitFailed, code)
	require.False(t, objects[checkJSON](t, out)[0].Works)

	code, _, text = call(t, t.Context(), "", environ, "serve", "--format", "json")
	require.Equal(t, exitUsage, code)
	require.Contains(t, text, "--format is for --check")
}

// serve --check says the same to people in lines of two columns, and in JSON, whatever stands in a value or in the file's name.
func TestCheckInBothForms(t *testing.T) {
	file := filepath.Join(t.TempDir(), "the site  [1]")
	require.NoError(t, os.WriteFile(file, []byte("operations:\n  match: {text: '-', not_text: 'a  [b]'}\nnats:\n  store_key_file: key\n"), 0o600))
	listen := freeAddr(t)
	environ := []string{"PUPILRISK_FHIR_URL=http://127.0.0.1:1/fhir", "PUPILRISK_NATS_LISTEN=" + listen, "PUPILRISK_NATS_STORE_DIR=" + t.TempDir(), "PUPILRISK_HTTP_ADDR=127.0.0.1:0"}
	var check struct {
		Configuration []keyJSON
		Connections   []connectionJSON
	}
	code, out, _ := call(t, t.Context(), "", environ, "serve", "--check", "--config", file, "--format", "json")
	require.Equal(t, exitFailed, code)
	require.NoError(t, json.Unmarshal([]byte(out), &check))
	for _, want := range []keyJSON{
		{"operations.match.text", "-", file + ":2"}, {"operations.match.not_text", "a  [b]", file + ":2"}, {"nats.store_key_file", "key", file + ":4"}, {"nats.url", "", "default"},
	} {
		require.Contains(t, check.Configuration, want)
	}
	stream := connectionJSON{"stream", "embedded; no worker is running at " + listen + " yet, it is made at the first start"}
	require.Contains(t, check.Connections, stream)

	code, out, _ = call(t, t.Context(), "", environ, "serve", "--check", "--config", file)
	require.Equal(t, exitFailed, code)
	for _, line := range []string{
		"operations.match.text          -  [" + file + ":2]", "nats.store_key_file            key (content not shown)  [" + file + ":4]",
		"nats.url                       -  [default]", "stream                         " + stream.Says,
	} {
		require.Contains(t, out, "\n"+line+"\n")
	}
}

// A list says nothing about a patient; the content says all, whatever its bytes.
func TestDeadLettersAsJSON(t *testing.T) {
	at := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	l := stream.DeadLetter{
		Seq: 7, Time: at.Add(time.Hour), Reason: "unreadable", Subject: "clinic.booking.marker", Stream: "CLINIC", Sequence: 70, Deliveries: 1,
		FirstSeen: at, Header: nats.Header{"Nats-Msg-Id": {"marker"}}, Data: []byte("marker é"), Size: 9,
	}
	var out bytes.Buffer
	require.NoError(t, writeJSON(&out, letterOf(l)))
	require.JSONEq(t, `{"number":7,"reason":"unreadable","putAside":"2026-11-25T09:00:00Z","firstSeen":"2026-11-25T08:00:00Z","deliveries":1,"replays":0,"bytes":9}`, out.String())
	out.Reset()
	require.NoError(t, writeJSON(&out, contentOf(l)))
	require.Len(t, objects[contentJSON](t, out.String()), 1)
	require.Contains(t, out.String(), `"payload":"marker é"`)
	require.Contains(t, out.String(), `"headers":{"Nats-Msg-Id":["marker"]}`)
	out.Reset()
	l.Data = []byte("marker \xe9")
	require.NoError(t, writeJSON(&out, contentOf(l)))
	got := objects[contentJSON](t, out.String())
	require.Empty(t, got[0].Payload)
	require.Equal(t, l.Data, got[0].Base64)
}

func TestProgress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		p := &progress{to: &out, looked: true}
		n := 0
		say := func() string { n++; return strings.Repeat("x", n) }
		p.while(say)()
		require.Empty(t, out.String(), "what is soon over shows nothing")

		end := p.while(say)
		time.Sleep(progressEvery + time.Millisecond)
		synctest.Wait()
		_, err := p.Write([]byte("a line of the log\n"))
		require.NoError(t, err)
		time.Sleep(progressEvery)
		synctest.Wait()
		end()
		require.Equal(t, "\r\x1b[Kx \r\x1b[Ka line of the log\n\r\x1b[Kxx \r\x1b[K", out.String())

		out.Reset()
		piped := newProgress(&out)
		end = piped.while(say)
		time.Sleep(3 * progressEvery)
		end()
		require.Empty(t, out.String(), "nobody looks")
	})
}
