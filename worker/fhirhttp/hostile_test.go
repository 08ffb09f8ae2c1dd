package fhirhttp

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestForeignLinksAndRedirectsGetNothing(t *testing.T) {
	thief := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		t.Errorf("another origin was asked, with token: %t", r.Header.Get("Authorization") != "")
	}))
	defer thief.Close()
	token := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(token, []byte(marker), 0o600))
	var status int
	var to string
	c, _ := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		require.Equal(t, "Bearer "+marker, r.Header.Get("Authorization"))
		w.Header().Set("Location", to)
		w.WriteHeader(status)
	}, func(cfg *Config) { cfg.TokenFile = token })

	_, err := c.Page(t.Context(), thief.URL+"/fhir?page="+marker)
	require.ErrorIs(t, err, ErrForeignOrigin)
	requireKind(t, Refused, err)
	_, err = c.Read(t.Context(), thief.URL+"/fhir/Patient/"+marker)
	require.ErrorIs(t, err, ErrForeignOrigin)

	for _, status = range []int{301, 302, 303, 307, 308} {
		for _, to = range []string{thief.URL + "/" + marker, "/fhir/Patient/2"} {
			_, err = c.Read(t.Context(), "Patient/1")
			require.ErrorIs(t, err, ErrRedirect)
			requireKind(t, Refused, err)
			_, err = c.Write(t.Context(), http.MethodPut, "Flag/1", []byte(marker), "", "")
			require.ErrorIs(t, err, ErrRedirect)
			_, err = c.Transaction(t.Context(), []byte(`{"resourceType":"Bundle"}`), 0)
			require.ErrorIs(t, err, ErrRedirect)
		}
	}
	require.NotContains(t, fmt.Sprintf("%v %+v %#v", err, err, c.header), marker)
}

func TestBrokenAnswers(t *testing.T) {
	raw := func(text string) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			conn, _, err := w.(http.Hijacker).Hijack()
			require.NoError(t, err)
			_, _ = io.WriteString(conn, text)
			_ = conn.Close()
		}
	}
	whole := patient("1")
	head := "HTTP/1.1 200 OK\r\nContent-Type: application/fhir+json\r\n"
	for name, tt := range map[string]struct {
		handler http.HandlerFunc
		want    error
	}{
		"nothing at all":           {raw(""), ErrCutShort},
		"not HTTP":                 {raw(marker + "\r\n\r\n"), ErrConnection},
		"a bad status line":        {raw("HTTP/1.1 " + marker + "\r\n\r\n"), ErrConnection},
		"shorter than its length":  {raw(head + "Content-Length: 900\r\n\r\n" + whole), ErrCutShort},
		"cut in a chunk":           {raw(head + "Transfer-Encoding: chunked\r\n\r\nfff\r\n" + whole), ErrCutShort},
		"cut between chunks":       {raw(head + fmt.Sprintf("Transfer-Encoding: chunked\r\n\r\n%x\r\n%s\r\n", len(whole), whole)), ErrCutShort},
		"cut, of unknown length":   {raw(head + "\r\n" + whole[:40]), ErrNotFHIR},
		"cut, of a claimed length": {raw(head + "Content-Length: 40\r\n\r\n" + whole[:40]), ErrNotFHIR},
		"HTML":                     {batchOnly("<!doctype html><p>" + marker), ErrNotFHIR},
		"empty":                    {batchOnly(""), ErrNotFHIR},
		"null":                     {batchOnly("null"), ErrNotFHIR},
		"an array":                 {batchOnly("[" + whole + "]"), ErrNotFHIR},
		"JSON of something else":   {batchOnly(`{"error":"` + marker + `"}`), ErrNotFHIR},
		"two resources":            {batchOnly(whole + whole), ErrNotFHIR},
		"another id":               {batchOnly(patient(marker)), ErrNotFHIR},
		"another type":             {batchOnly(strings.Replace(whole, "Patient", "Person", 1)), ErrNotFHIR},
		"an outcome":               {batchOnly(notFound), ErrNotFHIR},
		"gzip that is none": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Encoding", "gzip")
			answer(w, 200, whole)
		}, ErrNotFHIR},
		"gzip cut short": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Encoding", "gzip")
			z := squeeze(t, []byte(whole))
			answer(w, 200, string(z[:len(z)-6]))
		}, ErrCutShort},
		"a coding nobody asked for": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Encoding", "br")
			answer(w, 200, "\x0b\x02\x80{}\x03")
		}, ErrNotFHIR},
		"deep nesting": {batchOnly(`{"resourceType":"Patient","id":"1","x":` + strings.Repeat("[", 200_000)), ErrNotFHIR},
	} {
		t.Run(name, func(t *testing.T) {
			c, _ := newClient(t, tt.handler)
			a, err := c.Read(within(t, 20*time.Second), "Patient/1")
			requireKind(t, Unavailable, err)
			require.ErrorIs(t, err, tt.want)
			require.NotContains(t, string(a.Body), "doctype")
		})
	}
}

func squeeze(t *testing.T, b []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	_, err := z.Write(b)
	require.NoError(t, err)
	require.NoError(t, z.Close())
	return out.Bytes()
}

func TestGzipIsTaken(t *testing.T) {
	c, _ := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		require.Equal(t, "gzip", r.Header.Get("Accept-Encoding"))
		w.Header().Set("Content-Encoding", "gzip")
		answer(w, 200, string(squeeze(t, []byte(patient("1")))))
	})
	a, err := c.Read(t.Context(), "Patient/1")
	require.NoError(t, err)
	require.Equal(t, patient("1"), string(a.Body))
}

func TestAnswersOfEverySizeUpToTheLimit(t *testing.T) {
	for _, size := range []int{len(patient("1")), 1 << 10, 1<<20 - 1, 1 << 20, 1<<20 + 1, 3 << 20} {
		body := patient("1")
		body += strings.Repeat(" ", size-len(body))
		for _, known := range []bool{true, false} {
			handler := func(w http.ResponseWriter, _ *http.Request) {
				if known {
					w.Header().Set("Content-Length", fmt.Sprint(size))
				} else {
					w.(http.Flusher).Flush()
				}
				_, _ = io.WriteString(w, body)
			}
			c, _ := newClient(t, handler, func(cfg *Config) { cfg.MaxBody = int64(size) })
			for range 2 {
				a, err := c.Read(t.Context(), "Patient/1")
				require.NoError(t, err)
				require.Equal(t, body, string(a.Body))
			}
			c, _ = newClient(t, handler, func(cfg *Config) { cfg.MaxBody = int64(size) - 1 })
			a, err := c.Read(t.Context(), "Patient/1")
			require.ErrorIs(t, err, ErrTooLarge)
			requireKind(t, Refused, err)
			require.Nil(t, a.Body, "never a part of it")
		}
	}
}

func TestHugeAnswersCostLittleMemory(t *testing.T) {
	bomb := squeeze(t, make([]byte, 16<<20))
	for name, handler := range map[string]http.HandlerFunc{
		"a gibibyte of known length": func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Length", fmt.Sprint(1<<30))
			_, _ = w.Write(make([]byte, 1<<20))
		},
		"endless": func(w http.ResponseWriter, _ *http.Request) {
			for part := make([]byte, 1<<16); ; {
				if _, err := w.Write(part); err != nil {
					return
				}
			}
		},
		"gzip bomb": func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Encoding", "gzip")
			_, _ = w.Write(bomb)
		},
	} {
		t.Run(name, func(t *testing.T) {
			c, _ := newClient(t, handler, func(cfg *Config) { cfg.MaxBody = 1 << 20 })
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, err := c.Read(t.Context(), "Patient/1")
			runtime.ReadMemStats(&after)
			require.ErrorIs(t, err, ErrTooLarge)
			require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(16<<20))
		})
	}
}

func TestClaimedLengthReservesNoMemory(t *testing.T) {
	c, _ := newClient(t, func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Length", fmt.Sprint(60<<20))
		w.(http.Flusher).Flush()
	})
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err := c.Read(t.Context(), "Patient/1")
	runtime.ReadMemStats(&after)
	require.ErrorIs(t, err, ErrCutShort)
	require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(8<<20))
}

func TestSlowDripEndsAtTheTimeLimit(t *testing.T) {
	stop := make(chan struct{})
	c, _ := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		for {
			select {
			case <-stop:
				return
			case <-r.Context().Done():
				return
			case <-time.After(5 * time.Millisecond):
				_, _ = io.WriteString(w, " ")
				w.(http.Flusher).Flush()
			}
		}
	}, func(cfg *Config) { cfg.RequestTimeout = 150 * time.Millisecond })
	defer close(stop)
	start := time.Now()
	_, err := c.Read(t.Context(), "Patient/1")
	requireKind(t, Unavailable, err)
	require.ErrorIs(t, err, context.DeadlineExceeded)
	require.Less(t, time.Since(start), 5*time.Second)

	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(20*time.Millisecond, cancel)
	_, err = c.Gather(ctx, []string{"Patient/1", "Patient/2"})
	require.Equal(t, context.Canceled, err)
}

func TestNoServer(t *testing.T) {
	c, server := newClient(t, nil)
	server.Close()
	_, err := c.Read(t.Context(), "Patient/"+marker)
	requireKind(t, Unavailable, err)
	require.ErrorContains(t, err, "connection refused")

	c, err = New(Config{Base: "http://no-such-host.invalid/fhir"})
	require.NoError(t, err)
	_, err = c.Read(t.Context(), "Patient/"+marker)
	requireKind(t, Unavailable, err)
}

func TestTLS(t *testing.T) {
	var asked atomic.Int32
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked.Add(1)
		require.GreaterOrEqual(t, r.TLS.Version, uint16(tls.VersionTLS12))
		require.Len(t, r.TLS.PeerCertificates, 1)
		answer(w, 200, patient("1"))
	}))
	server.EnableHTTP2 = true
	server.TLS = &tls.Config{ClientAuth: tls.RequireAnyClientCert}
	server.Config.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, slog.LevelError)
	server.StartTLS()
	defer server.Close()

	dir := t.TempDir()
	file := func(name, kind string, der []byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
		return path
	}
	ca := file("ca.pem", "CERTIFICATE", server.Certificate().Raw)
	key := file("key.pem", "PRIVATE KEY", pkcs8(t, server.TLS.Certificates[0].PrivateKey))

	c, err := New(Config{Base: server.URL, CAFile: ca, CertFile: ca, KeyFile: key})
	require.NoError(t, err)
	defer c.Close()
	require.NoError(t, read(t, c))
	require.NotNil(t, c.transport.Proxy)

	for name, tt := range map[string]struct {
		cfg  Config
		text string
	}{
		"unknown authority":     {Config{Base: server.URL, CertFile: ca, KeyFile: key}, "unknown authority"},
		"another host":          {Config{Base: strings.Replace(server.URL, "127.0.0.1", "localhost", 1), CAFile: ca, CertFile: ca, KeyFile: key}, "another host"},
		"no client certificate": {Config{Base: server.URL, CAFile: ca}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			c, err := New(tt.cfg)
			require.NoError(t, err)
			defer c.Close()
			err = read(t, c)
			requireKind(t, Unavailable, err)
			require.ErrorContains(t, err, tt.text)
		})
	}

	old := httptest.NewUnstartedServer(http.NotFoundHandler())
	old.TLS = &tls.Config{MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}
	old.Config.ErrorLog = server.Config.ErrorLog
	old.StartTLS()
	defer old.Close()
	c, err = New(Config{Base: old.URL, CAFile: ca})
	require.NoError(t, err)
	defer c.Close()
	requireKind(t, Unavailable, read(t, c))
	require.EqualValues(t, 1, asked.Load())
}

func TestBatchIsSentAgainOnlyOnAClosedKeptConnection(t *testing.T) {
	rec := record{"Patient/1": patient("1"), "Patient/2": patient("2")}
	var posts atomic.Int32
	c, _ := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		if posts.Add(1) == 2 { // the kept connection breaks under the second batch, before any answer
			conn, _, err := w.(http.Hijacker).Hijack()
			require.NoError(t, err)
			_ = conn.Close()
			return
		}
		rec.ServeHTTP(w, r)
	}, func(cfg *Config) { cfg.Batch = BatchOn })
	for range 2 {
		_, err := c.Gather(t.Context(), []string{"Patient/1", "Patient/2"})
		require.NoError(t, err)
	}
	require.EqualValues(t, 3, posts.Load())

	var writes atomic.Int32
	c, _ = newClient(t, func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet {
			fine(w)
			return
		}
		writes.Add(1)
		conn, _, err := w.(http.Hijacker).Hijack()
		require.NoError(t, err)
		_ = conn.Close()
	})
	require.NoError(t, read(t, c))
	_, err := c.Transaction(t.Context(), []byte(`{"resourceType":"Bundle","entry":[]}`), 0)
	requireKind(t, Unavailable, err)
	require.EqualValues(t, 1, writes.Load(), "a write whose fate is unknown is never sent again")
}

func pkcs8(t *testing.T, key any) []byte {
	t.Helper()
	der, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	return der
}

func TestFailureIsKnownByItsStatusEvenIfCut(t *testing.T) {
	c, _ := newClient(t, func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Retry-After", "40")
		w.Header().Set("Content-Length", "4000")
		w.WriteHeader(http.StatusTooManyRequests)
	})
	require.Equal(t, 40*time.Second, requireKind(t, Throttled, read(t, c)).RetryAfter)
}
