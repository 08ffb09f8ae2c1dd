package smart

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"

	"pupilrisk/worker/fhirhttp"
)

// ParseEndpoint reads the address of a token endpoint: https, or http on a loopback address. Its errors quote nothing.
func ParseEndpoint(s string) (*url.URL, error) {
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Hostname() == "" || (u.Scheme != "https" && u.Scheme != "http"):
		return nil, errors.New("wants an https address")
	case u.Scheme == "http" && !loopback(u.Hostname()):
		return nil, errors.New("wants https: the token would be readable on the way")
	case u.User != nil || u.Fragment != "":
		return nil, errors.New("wants an address without user, password or fragment")
	}
	return u, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || (ip != nil && ip.IsLoopback())
}

// origin is scheme, host and port, the port of the scheme where none is given.
func origin(u *url.URL) string {
	port := u.Port()
	if port == "" {
		port = map[string]string{"http": "80", "https": "443"}[u.Scheme]
	}
	return u.Scheme + "://" + net.JoinHostPort(strings.ToLower(u.Hostname()), port)
}

// discover asks the FHIR server for its token endpoint (SMART App Launch 2.2.0, conformance). It must have the FHIR server's own
// origin: whoever can write an answer must not choose where our proof of identity goes.
func (s *Source) discover(ctx context.Context, algorithm string) (*url.URL, error) {
	at := *s.base
	at.Path = strings.TrimRight(at.Path, "/") + "/.well-known/smart-configuration"
	body, err := s.do(ctx, http.MethodGet, &at, nil)
	if err != nil {
		return nil, err
	}
	found, err := decodeConfiguration(body)
	if err != nil {
		return nil, err
	}
	if len(found.Algorithms) > 0 && !slices.Contains(found.Algorithms, algorithm) {
		return nil, fmt.Errorf("the server does not take signatures by %s, which is what the first key of fhir.key_file makes", algorithm)
	}
	u, err := ParseEndpoint(found.TokenEndpoint)
	if err != nil {
		return nil, fmt.Errorf("token_endpoint: %w", err)
	}
	if origin(u) != origin(s.base) {
		return nil, fmt.Errorf("token_endpoint %w than fhir.url; if it is the right one, name it in fhir.token_url", fhirhttp.ErrForeignOrigin)
	}
	return u, nil
}

// configuration is what is used of a smart-configuration.
type configuration struct {
	TokenEndpoint string   `json:"token_endpoint"`
	Algorithms    []string `json:"token_endpoint_auth_signing_alg_values_supported"`
}

func decodeConfiguration(body []byte) (c configuration, err error) {
	if json.Unmarshal(body, &c) != nil {
		return configuration{}, errNotJSON
	}
	if c.TokenEndpoint == "" {
		return configuration{}, errors.New("the answer names no token_endpoint")
	}
	return c, nil
}

var errNotJSON = errors.New("the answer is not the JSON that was asked for")
