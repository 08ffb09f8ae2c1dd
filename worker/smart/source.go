package smart

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"pupilrisk/worker/fhirhttp"
)

const (
	// largestAnswer and largestToken are far above what a server has reason to send.
	largestAnswer, largestToken = 1 << 20, 64 << 10
	// A token whose life the server does not tell is taken to hold as long as the standard says it should at most.
	usualLife, longestLife = 5 * time.Minute, 24 * time.Hour
	// A token is renewed when a fifth of its life, or this much, is left.
	renewBefore = time.Minute
	// After a failure the server is left alone, each time twice as long.
	firstQuiet, longestQuiet = time.Second, 10 * time.Second
	// refusedPause keeps a server that refuses every token from being asked for a new one with each request.
	refusedPause = 10 * time.Second
	// clockSlack is how far two clocks may differ before an error says so.
	clockSlack = 30 * time.Second
)

// Config is one client of one authorization server.
type Config struct {
	Base     string // the FHIR server's base address, which is asked for the token endpoint unless TokenURL is set
	TokenURL string // the token endpoint; another origin than Base's is allowed here only
	ClientID string
	KeyFile  string // for ReadKeys, read again for each token
	Scope    string // what is asked for, with spaces; a token that grants less is not taken

	Transport http.RoundTripper       // how both servers are reached; redirects are never followed
	Timeout   time.Duration           // for discovery and token request together; default 20 s
	UserAgent string                  // default "pupilrisk"
	Expires   func(expires time.Time) // where set, is told when the token that is now held ends; the zero time is none
	Log       *slog.Logger            // default: discards
}

// Source holds the current access token. It is safe for use by any number of goroutines, of which one at a time asks for a token.
type Source struct {
	cfg     Config
	base    *url.URL
	current atomic.Pointer[grant]

	turn chan struct{} // held by whoever asks; guards all below
	keys Keys

	endpoint *url.URL // nil until discovered

	failure error // of the last attempt, told until askAfter
	quiet   time.Duration

	askAfter, forceAfter time.Time
}

// grant is a token as the server gave it, by this machine's clock.
type grant struct {
	token            string
	renewAt, expires time.Time
}

// New reads the keys and sends nothing. Its errors name the configuration key.
func New(cfg Config) (*Source, error) {
	if cfg.Timeout <= 0 {
		cfg.Timeout = 20 * time.Second
	}
	if cfg.UserAgent == "" {
		cfg.UserAgent = "pupilrisk"
	}
	if cfg.Expires == nil {
		cfg.Expires = func(time.Time) {}
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	s := &Source{cfg: cfg, turn: make(chan struct{}, 1)}
	var err error
	if s.base, err = url.Parse(cfg.Base); err != nil || s.base.Host == "" {
		return nil, errors.New("fhir.url: must be an absolute http or https URL")
	}
	if cfg.TokenURL != "" {
		if s.endpoint, err = ParseEndpoint(cfg.TokenURL); err != nil {
			return nil, fmt.Errorf("fhir.token_url: %w", err)
		}
	}
	if s.keys, err = ReadKeys(cfg.KeyFile); err != nil {
		return nil, fmt.Errorf("fhir.key_file: %w", err)
	}
	return s, nil
}

// Token is the current token. One that is about to end is renewed by one caller, while the others go on with it; one that has ended
// is renewed while all wait, no longer than ctx allows. After a failure nobody asks for a while: the same error is told instead.
func (s *Source) Token(ctx context.Context) (string, error) {
	held, now := s.current.Load(), time.Now()
	switch {
	case held != nil && now.Before(held.renewAt):
		return held.token, nil
	case held != nil && now.Before(held.expires):
		select {
		case s.turn <- struct{}{}:
		default:
			return held.token, nil
		}
		defer s.leave()
		if renewed, err := s.obtain(ctx, held); err == nil {
			return renewed, nil
		}
		return held.token, nil
	}
	if err := s.enter(ctx); err != nil {
		return "", err
	}
	defer s.leave()
	return s.obtain(ctx, held)
}

// Renew takes a token that the FHIR server refused and gives the one to try next. It is the same if that one was itself a
// replacement for a refused one a moment ago: then the token is not what is wrong.
func (s *Source) Renew(ctx context.Context, refused string) (string, error) {
	if err := s.enter(ctx); err != nil {
		return "", err
	}
	defer s.leave()
	held, now := s.current.Load(), time.Now()
	switch {
	case held == nil:
	case held.token != refused && now.Before(held.expires):
		return held.token, nil
	case now.Before(s.forceAfter):
		return refused, nil
	default:
		s.forceAfter = now.Add(refusedPause)
		s.hold(nil)
		held = nil
	}
	return s.obtain(ctx, held)
}

func (s *Source) enter(ctx context.Context) error {
	select {
	case s.turn <- struct{}{}:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("fhir token: %w", ctx.Err())
	}
}

func (s *Source) leave() { <-s.turn }

func (s *Source) hold(g *grant) {
	s.current.Store(g)
	if g == nil {
		s.cfg.Expires(time.Time{})
		return
	}
	s.cfg.Expires(g.expires)
}

// obtain asks for a token to follow the one the caller saw, unless somebody did so meanwhile. The caller has the turn.
func (s *Source) obtain(ctx context.Context, seen *grant) (string, error) {
	start := time.Now()
	if g := s.current.Load(); g != nil && g != seen && start.Before(g.expires) {
		return g.token, nil
	}
	if s.failure != nil && start.Before(s.askAfter) {
		return "", s.failure
	}
	g, err := s.request(ctx, start)
	switch {
	case err == nil:
		s.failure, s.quiet = nil, 0
		s.hold(g)
		return g.token, nil
	case ctx.Err() != nil: // the caller gave up: that tells nothing of the server
		return "", fmt.Errorf("fhir token: %w", ctx.Err())
	}
	s.failure = fmt.Errorf("fhir token: %w", err)
	s.quiet = min(max(2*s.quiet, firstQuiet), longestQuiet)
	s.askAfter = time.Now().Add(s.quiet)
	if r, ok := errors.AsType[*refusal](err); ok && r.retryAfter > s.quiet {
		s.askAfter = time.Now().Add(r.retryAfter)
	}
	if s.cfg.TokenURL == "" {
		s.endpoint = nil // it may have moved
	}
	s.cfg.Log.Warn("no fhir token", "reason", s.failure.Error(), "again_in", time.Until(s.askAfter).Round(time.Second).String())
	return "", s.failure
}

// request makes one attempt, with a statement of its own.
func (s *Source) request(ctx context.Context, start time.Time) (*grant, error) {
	ctx, cancel := context.WithTimeout(ctx, s.cfg.Timeout)
	defer cancel()
	if keys, err := ReadKeys(s.cfg.KeyFile); err == nil {
		s.keys = keys
	} else {
		s.cfg.Log.Warn("fhir key file not readable, the keys read last are used", "reason", err.Error())
	}
	if s.endpoint == nil {
		found, err := s.discover(ctx, s.keys[0].Algorithm)
		if err != nil {
			return nil, fmt.Errorf("discovery: %w", err)
		}
		s.endpoint = found
	}
	assertion, err := s.keys.assertion(s.cfg.ClientID, s.endpoint.String(), start)
	if err != nil {
		return nil, errors.New("signing failed")
	}
	body, err := s.do(ctx, http.MethodPost, s.endpoint, url.Values{
		"grant_type":            {"client_credentials"},
		"scope":                 {s.cfg.Scope},
		"client_assertion_type": {"urn:ietf:params:oauth:client-assertion-type:jwt-bearer"},
		"client_assertion":      {assertion},
	})
	if err != nil {
		return nil, fmt.Errorf("token endpoint: %w", err)
	}
	t, err := decodeToken(body)
	if err != nil {
		return nil, fmt.Errorf("token endpoint: %w", err)
	}
	// Without a scope in the answer, what was asked is granted (RFC 6749, section 5.1).
	if t.scope != "" {
		if missing := Missing(s.cfg.Scope, t.scope); len(missing) > 0 {
			return nil, fmt.Errorf("token endpoint: does not grant %s; have it granted, or leave it out of fhir.scope", strings.Join(missing, " "))
		}
	}
	return &grant{token: t.token, expires: start.Add(t.life), renewAt: start.Add(t.life - min(t.life/5, renewBefore))}, nil
}

// do makes one request, a POST where there is a form, and gives the body of a 200.
func (s *Source) do(ctx context.Context, method string, at *url.URL, form url.Values) ([]byte, error) {
	text := form.Encode()
	req, err := http.NewRequestWithContext(ctx, method, at.String(), strings.NewReader(text))
	if err != nil {
		return nil, errors.New("not an address")
	}
	req.Header.Set("Accept", "application/json")
	req.Header.Set("User-Agent", s.cfg.UserAgent)
	if form != nil {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	res, err := s.cfg.Transport.RoundTrip(req)
	if err != nil {
		return nil, fhirhttp.Fault(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(io.LimitReader(res.Body, largestAnswer+1))
	switch {
	case res.StatusCode >= 300 && res.StatusCode < 400:
		return nil, fhirhttp.ErrRedirect
	case res.StatusCode != http.StatusOK:
		return nil, refused(res, body, time.Now())
	case err != nil:
		return nil, fhirhttp.Fault(err)
	case len(body) > largestAnswer:
		return nil, fhirhttp.ErrTooLarge
	}
	return body, nil
}

// refusal is an answer that is no success. Its text holds the status, an error code of the standards' lists and advice of ours.
type refusal struct {
	status     int
	code       string
	clock      time.Duration // how far this machine is ahead of the server, where that is much
	retryAfter time.Duration
}

// oauthErrors are the error codes of RFC 6749, section 5.2, and those of section 4.1.2.1 that servers also use here.
var oauthErrors = []string{
	"invalid_request", "invalid_client", "invalid_grant", "unauthorized_client", "unsupported_grant_type", "invalid_scope",
	"access_denied", "server_error", "temporarily_unavailable",
}

func refused(res *http.Response, body []byte, now time.Time) *refusal {
	r := &refusal{status: res.StatusCode, retryAfter: fhirhttp.RetryAfter(res.Header, now)}
	var said struct {
		Error string `json:"error"`
	}
	if json.Unmarshal(body, &said) == nil && slices.Contains(oauthErrors, said.Error) {
		r.code = said.Error
	}
	if date, err := http.ParseTime(res.Header.Get("Date")); err == nil && now.Sub(date).Abs() > clockSlack {
		r.clock = now.Sub(date).Round(time.Second)
	}
	return r
}

func (r *refusal) Error() string {
	text := "status " + strconv.Itoa(r.status)
	if r.code != "" {
		text += " (" + r.code + ")"
	}
	switch r.code {
	case "invalid_client":
		text += "; is the public key, as pupilrisk keys prints it, registered for fhir.client_id?"
	case "invalid_scope":
		text += "; fhir.scope asks for more than the client may have"
	}
	if r.clock != 0 {
		text += "; this machine's clock and the server's differ by " + r.clock.Abs().String()
	}
	return text
}

// tokenAnswer is what is used of a token response (RFC 6749, section 5.1).
type tokenAnswer struct {
	token, scope string
	life         time.Duration
}

func decodeToken(body []byte) (tokenAnswer, error) {
	var said struct {
		Token   string         `json:"access_token"`
		Type    string         `json:"token_type"`
		Expires jsontext.Value `json:"expires_in"`
		Scope   string         `json:"scope"`
	}
	if json.Unmarshal(body, &said) != nil {
		return tokenAnswer{}, errNotJSON
	}
	t := tokenAnswer{token: said.Token, scope: said.Scope, life: usualLife}
	switch {
	case t.token == "":
		return tokenAnswer{}, errors.New("the answer holds no access_token")
	case len(t.token) > largestToken || strings.ContainsFunc(t.token, func(r rune) bool { return r <= ' ' || r >= 0x7f }):
		return tokenAnswer{}, errors.New("the access_token cannot stand in a header")
	case !strings.EqualFold(said.Type, "bearer"):
		return tokenAnswer{}, errors.New("the token_type is not bearer")
	}
	// A number by the standard; some servers send it as a string.
	if n := bytes.Trim(said.Expires, `"`); len(n) > 0 && string(n) != "null" {
		seconds, err := strconv.ParseFloat(string(n), 64)
		if err != nil || !(seconds > 0) {
			return tokenAnswer{}, errors.New("expires_in is not a number of seconds ahead")
		}
		t.life = time.Duration(min(seconds, longestLife.Seconds()) * float64(time.Second))
	}
	return t, nil
}
