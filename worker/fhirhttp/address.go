package fhirhttp

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
)

// address is the server's base and the other names under which the same server writes its links.
type address struct {
	base  *url.URL   // path without a trailing slash
	names []*url.URL // base and aliases, the longest path first
}

func newAddress(base string, aliases []string) (address, error) {
	b, err := parseBase(base)
	if err != nil {
		return address{}, fmt.Errorf("fhir.url: %w", err)
	}
	a := address{base: b, names: []*url.URL{b}}
	for _, alias := range aliases {
		u, err := parseBase(alias)
		if err != nil {
			return address{}, fmt.Errorf("fhir.base_aliases: %w", err)
		}
		a.names = append(a.names, u)
	}
	slices.SortStableFunc(a.names, func(x, y *url.URL) int { return len(y.Path) - len(x.Path) })
	return a, nil
}

// parseBase never quotes what it was given: a URL may hold a password.
func parseBase(s string) (*url.URL, error) {
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https"):
		return nil, errors.New("must be an absolute http or https URL")
	case u.User != nil:
		return nil, errors.New("must not hold a user or a password")
	case u.RawQuery != "" || u.ForceQuery || u.Fragment != "":
		return nil, errors.New("must not hold a query or a fragment")
	case u.RawPath != "" || hasDots(u.Path):
		return nil, errors.New("must have a plain path")
	}
	return &url.URL{Scheme: u.Scheme, Host: hostOf(u), Path: strings.TrimRight(u.Path, "/")}, nil
}

// hostOf is the host in lower case, without the scheme's own port.
func hostOf(u *url.URL) string {
	host := strings.ToLower(u.Host)
	switch u.Scheme {
	case "http":
		return strings.TrimSuffix(host, ":80")
	case "https":
		return strings.TrimSuffix(host, ":443")
	}
	return host
}

func hasDots(path string) bool {
	for s := range strings.SplitSeq(path, "/") {
		if s == "." || s == ".." {
			return true
		}
	}
	return false
}

// below is the URL of a path relative to the base, as "Flag/1" or "Condition?patient=Patient/1".
func (a address) below(path string) (*url.URL, error) {
	path, err := cleanPath(path)
	if err != nil {
		return nil, err
	}
	p, query, _ := strings.Cut(path, "?")
	u := *a.base
	u.Path, u.RawQuery = u.Path+"/"+p, query
	return &u, nil
}

// cleanPath refuses what would leave the base or break a request line, and escapes the bar of a token search, which some servers
// refuse as it is.
func cleanPath(path string) (string, error) {
	p, query, _ := strings.Cut(path, "?")
	if p == "" || hasDots(p) {
		return "", ErrReference
	}
	segment := 0
	for i := range len(p) {
		switch c := p[i]; {
		case c == '/':
			if segment == 0 {
				return "", ErrReference
			}
			segment = 0
		case 'a' <= c && c <= 'z', 'A' <= c && c <= 'Z', '0' <= c && c <= '9', c == '-', c == '.', c == '_', c == '$':
			segment++
		default:
			return "", ErrReference
		}
	}
	if segment == 0 {
		return "", ErrReference
	}
	bar := false
	for i := range len(query) {
		switch c := query[i]; {
		case c <= ' ', c >= 0x7f, c == '#', c == '"', c == '<', c == '>', c == '\\', c == '^', c == '`', c == '{', c == '}':
			return "", ErrReference
		case c == '|':
			bar = true
		}
	}
	if bar {
		path = p + "?" + strings.ReplaceAll(query, "|", "%7C")
	}
	return path, nil
}

// follow is where a link of the server leads, under the base: links under an alias are re-based, links to another origin or
// outside the base's path are refused with ErrForeignOrigin.
func (a address) follow(link string) (*url.URL, error) {
	ref, err := url.Parse(link)
	if err != nil || link == "" {
		return nil, ErrReference
	}
	from := *a.base
	from.Path += "/"
	u := from.ResolveReference(ref)
	if u.User != nil || u.Opaque != "" || (u.Scheme != "http" && u.Scheme != "https") || hasDots(u.Path) {
		return nil, ErrForeignOrigin
	}
	host, path := hostOf(u), u.EscapedPath()
	for _, name := range a.names {
		rest, inside := strings.CutPrefix(path, name.EscapedPath())
		if !inside || u.Scheme != name.Scheme || host != name.Host || (rest != "" && rest[0] != '/') {
			continue
		}
		to := *a.base
		to.RawPath = to.EscapedPath() + rest
		to.Path += u.Path[len(name.Path):]
		to.RawQuery = u.RawQuery
		return &to, nil
	}
	return nil, ErrForeignOrigin
}

// relative is a reference of the server as a path below the base: "Patient/1" stays, "https://base/Patient/1" loses the base.
func (a address) relative(ref string) (string, error) {
	if i := strings.IndexAny(ref, ":/?#"); i < 0 || ref[i] != ':' {
		return cleanPath(ref)
	}
	u, err := a.follow(ref)
	if err != nil {
		return "", err
	}
	rest := strings.TrimPrefix(u.EscapedPath()[len(a.base.EscapedPath()):], "/")
	if u.RawQuery != "" {
		rest += "?" + u.RawQuery
	}
	return cleanPath(rest)
}
