package peertest

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

const (
	// startTimeout is generous: the server needs half a second, but test binaries start several at once.
	startTimeout = time.Minute
	stopTimeout  = 5 * time.Second
)

// Options make the server unlike the others. The zero value is a server that offers everything.
type Options struct {
	// NoUpdateCreate refuses a PUT to an unknown id with 405, and says updateCreate false.
	NoUpdateCreate bool
	// NoBatch and NoTransaction refuse such Bundles with 400 and leave them out of the CapabilityStatement.
	NoBatch, NoTransaction bool
	// Page is the number of resources per page, as default and as most; 0 stands for 20 and 1000.
	Page int
	// Token, if set, is the bearer token that every request but the one for metadata must carry.
	Token string
	// Without names resource types that this server does not offer: 404, also inside a batch.
	Without []string
	// Advertise is the base address in the server's links and Locations, as behind a proxy; empty is the true one.
	Advertise string
}

func (o Options) environ() []string {
	offered := func(refused bool) string {
		if refused {
			return "0"
		}
		return "1"
	}
	return append(
		os.Environ(),
		"PORT=0",
		"UPDATE_CREATE="+offered(o.NoUpdateCreate),
		"BATCH="+offered(o.NoBatch),
		"TRANSACTION="+offered(o.NoTransaction),
		"PAGE="+strconv.Itoa(o.Page),
		"TOKEN="+o.Token,
		"WITHOUT="+strings.Join(o.Without, ","),
		"ADVERTISE="+o.Advertise,
	)
}

// Peer is a running FHIR R4 server with no resources at first.
type Peer struct {
	// Base is the address of the FHIR API, without a slash at the end.
	Base string

	origin string
	token  string
	client *http.Client
}

// Server starts a FHIR server for the test and stops it when the test ends. Without the interop tests switched on it
// skips the test (see the package comment).
func Server(t testing.TB, opts Options) *Peer {
	t.Helper()
	base := start(t, "fhir-peer", opts.environ())
	client := &http.Client{Transport: &http.Transport{}, Timeout: startTimeout}
	t.Cleanup(client.CloseIdleConnections)
	return &Peer{Base: base, origin: strings.TrimSuffix(base, "/fhir/R4"), token: opts.Token, client: client}
}

// start runs the server of testdata/interop/<name> until the test ends and returns the address that it prints.
func start(t testing.TB, name string, environ []string) (address string) {
	t.Helper()
	node, dir := program(t, name)
	stderr, err := os.Create(filepath.Join(t.TempDir(), "stderr"))
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	defer stderr.Close()
	cmd := exec.Command(node, "server.mjs")
	cmd.Dir = dir
	cmd.Env = environ
	cmd.Stderr = stderr
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	t.Cleanup(func() {
		// The server leaves when its standard input closes, which also happens if this process is killed.
		_ = stdin.Close()
		late := time.AfterFunc(stopTimeout, func() { _ = cmd.Process.Kill() })
		defer late.Stop()
		_ = cmd.Wait()
	})
	if address, err = announced(stdout); err != nil {
		said, _ := os.ReadFile(stderr.Name())
		t.Fatalf("%s did not start: %v\n%s", name, err, said)
	}
	return address
}

// announced reads the address from the one line that the server prints.
func announced(stdout io.Reader) (string, error) {
	if f, ok := stdout.(*os.File); ok {
		if err := f.SetReadDeadline(time.Now().Add(startTimeout)); err != nil {
			return "", err
		}
	}
	line, err := bufio.NewReader(stdout).ReadString('\n')
	if err != nil {
		return "", err
	}
	base, ok := strings.CutPrefix(strings.TrimSpace(line), "listening ")
	if !ok {
		return "", fmt.Errorf("unexpected line %q", line)
	}
	return base, nil
}

// Put stores resources as another system of the clinic would have: with the id they carry, checked by nobody (so they may be
// malformed), whatever the options and orders of faults. What stood under the id becomes the older version.
func (p *Peer) Put(t testing.TB, resources ...[]byte) {
	t.Helper()
	p.control(t, "__seed", append(append([]byte{'['}, bytes.Join(resources, []byte{','})...), ']'))
}

// Delete removes a resource, for instance "Flag/1", as a person would. Reading it gives 410 from then on.
func (p *Peer) Delete(t testing.TB, reference string) {
	t.Helper()
	p.mustCall(t, http.MethodDelete, p.Base+"/"+reference, nil, http.StatusNoContent)
}

// All returns every resource of a type, oldest first, found by search with all pages followed.
func (p *Peer) All(t testing.TB, resourceType string) [][]byte {
	t.Helper()
	var all [][]byte
	for next := p.Base + "/" + resourceType + "?_count=1000"; next != ""; {
		var page struct {
			Link []struct {
				Relation string `json:"relation"`
				URL      string `json:"url"`
			} `json:"link"`
			Entry []struct {
				Resource jsontext.Value `json:"resource"`
			} `json:"entry"`
		}
		if err := json.Unmarshal(p.mustCall(t, http.MethodGet, next, nil, http.StatusOK), &page); err != nil {
			t.Fatalf("FHIR server: search of %s: %v", resourceType, err)
		}
		for _, e := range page.Entry {
			all = append(all, e.Resource)
		}
		next = ""
		for _, l := range page.Link {
			if _, query, ok := strings.Cut(l.URL, "?"); ok && l.Relation == "next" {
				// The server may advertise another address than its own.
				next = p.Base + "/" + resourceType + "?" + query
			}
		}
	}
	return all
}

// Fault is an order to misbehave. It strikes the next requests that match, before any later order does.
type Fault struct {
	// Times is how many requests it strikes; 0 stands for one.
	Times int
	// Method and Path choose requests: the HTTP method, and a part of the address after the base, query included. Empty
	// matches all. The address of a batch or transaction is empty.
	Method, Path string
	// Entry makes the fault one of single GET entries inside a batch, chosen by a part of their address: each such entry is
	// answered with Status while the batch itself is answered 200. It needs Status and goes with no other field but Times.
	Entry string

	// Status answers with this code and an OperationOutcome instead of acting; RetryAfter is the header of that name.
	Status     int
	RetryAfter string
	// Delay is waited before anything else; alone, it makes the answer late and no more.
	Delay time.Duration
	// Drop closes the connection instead of acting, DropAfter after acting: the write stands, the answer is lost.
	Drop, DropAfter bool
	// Cut acts, then sends only so many bytes of the answer and closes the connection.
	Cut int
}

// Fault orders a misbehaviour.
func (p *Peer) Fault(t testing.TB, f Fault) {
	t.Helper()
	order := map[string]any{"times": max(f.Times, 1)}
	for key, text := range map[string]string{"method": f.Method, "path": f.Path, "entry": f.Entry, "retryAfter": f.RetryAfter} {
		if text != "" {
			order[key] = text
		}
	}
	for key, number := range map[string]int{"status": f.Status, "delayMs": int(f.Delay.Milliseconds()), "cut": f.Cut} {
		if number != 0 {
			order[key] = number
		}
	}
	switch {
	case f.Drop:
		order["drop"] = true
	case f.DropAfter:
		order["drop"] = "after"
	}
	body, err := json.Marshal(order)
	if err != nil {
		t.Fatalf("FHIR server: %v", err)
	}
	p.control(t, "__fault", body)
}

// Clear withdraws all orders of faults.
func (p *Peer) Clear(t testing.TB) {
	t.Helper()
	p.control(t, "__clear", nil)
}

// Reset withdraws all orders of faults and forgets every resource, deleted ones too.
func (p *Peer) Reset(t testing.TB) {
	t.Helper()
	p.control(t, "__reset", nil)
}

func (p *Peer) control(t testing.TB, name string, body []byte) {
	t.Helper()
	p.mustCall(t, http.MethodPost, p.origin+"/"+name, body, http.StatusNoContent)
}

func (p *Peer) mustCall(t testing.TB, method, url string, body []byte, want int) []byte {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, url, bytes.NewReader(body))
	if err != nil {
		t.Fatalf("FHIR server: %v", err)
	}
	req.Header.Set("Content-Type", "application/fhir+json")
	if p.token != "" {
		req.Header.Set("Authorization", "Bearer "+p.token)
	}
	resp, err := p.client.Do(req)
	if err != nil {
		t.Fatalf("FHIR server: %v", err)
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatalf("FHIR server: %v", err)
	}
	if resp.StatusCode != want {
		t.Fatalf("FHIR server: %s %s: %s\n%s", method, url, resp.Status, answer)
	}
	return answer
}
