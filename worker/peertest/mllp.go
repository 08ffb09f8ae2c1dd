package peertest

import (
	"bytes"
	"errors"
	"io"
	"net"
	"os/exec"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// HL7v2Clients are the clients of others that SendHL7v2 sends with.
var HL7v2Clients = []string{"node-hl7-client", "simple-hl7"}

// Acknowledged is an answer as such a client reads it: MSA-1 and MSA-2.
type Acknowledged struct {
	Code    string `json:"code"`
	Control string `json:"control"`
}

// SendHL7v2 lets a client of others (testdata/interop/mllp-peer) send messages to a listener on loopback, one after the other.
func SendHL7v2(t testing.TB, client, addr string, messages ...string) (answers []Acknowledged) {
	t.Helper()
	node, dir := program(t, "mllp-peer")
	_, port, err := net.SplitHostPort(addr)
	if err != nil {
		t.Fatalf("mllp-peer: %v", err)
	}
	var in, stderr bytes.Buffer
	for _, m := range messages {
		line, err := json.Marshal(m)
		if err != nil {
			t.Fatalf("mllp-peer: %v", err)
		}
		in.Write(append(line, '\n'))
	}
	cmd := exec.CommandContext(t.Context(), node, "send.mjs", client, port)
	cmd.Dir, cmd.Stdin, cmd.Stderr = dir, &in, &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("mllp-peer: %v\n%s", err, stderr.Bytes())
	}
	for d := jsontext.NewDecoder(bytes.NewReader(out)); ; {
		var a Acknowledged
		if err := json.UnmarshalDecode(d, &a); errors.Is(err, io.EOF) {
			return answers
		} else if err != nil {
			t.Fatalf("mllp-peer: %v", err)
		}
		answers = append(answers, a)
	}
}
