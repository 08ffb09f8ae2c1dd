package peertest

import (
	"os"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// TokenClient is a client that an authorization server knows.
type TokenClient struct {
	Algorithm string         `json:"alg"`  // RS384 or ES384
	JWKS      jsontext.Value `json:"jwks"` // its public keys
}

// TokenServer starts an authorization server that grants tokens to clients, by their id, for at most these scopes, and returns the
// address of its token endpoint. It stops when the test ends. Without the interop tests switched on it skips the test.
func TokenServer(t testing.TB, clients map[string]TokenClient, scopes ...string) (endpoint string) {
	t.Helper()
	text, err := json.Marshal(clients)
	if err != nil {
		t.Fatalf("token-peer: %v", err)
	}
	return start(t, "token-peer", append(os.Environ(), "PORT=0", "CLIENTS="+string(text), "SCOPES="+strings.Join(scopes, " ")))
}
