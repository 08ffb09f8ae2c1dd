package fhirmap

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Limits bound what comes from outside. The zero value means the defaults.
type Limits struct {
	// Entries of one page; default 20,000.
	Entries int
	// Depth of nesting of one entry; default 64.
	Depth int
	// Text is the length, in bytes, to which free text is kept; default 4,000.
	Text int
}

func (l Limits) withDefaults() Limits {
	if l.Entries == 0 {
		l.Entries = 20000
	}
	if l.Depth == 0 {
		l.Depth = 64
	}
	if l.Text == 0 {
		l.Text = 4000
	}
	return l
}

// maxMembers bounds the names of one envelope or entry; FHIR has two dozen.
const maxMembers = 64

// maxBundles bounds how deep Bundles stand in Bundles; the answer to a batch needs one.
const maxBundles = 2

// Faults of a page as a whole.
var (
	errNotBundle = errors.New("not a Bundle")
	errPage      = errors.New("broken Bundle")
	errLimit     = errors.New("more entries than the limit")
)

// BundleInfo is the envelope of a Bundle.
type BundleInfo struct {
	Type, Next, Self string
	Total            int // -1 if the Bundle gives none
}

// BundleEntry is one entry, its parts raw: sub-slices of the body, which must not be changed while they are in use.
type BundleEntry struct {
	FullURL    string
	Resource   jsontext.Value
	SearchMode string
	// Status is the code in response.status, "200" or "201 Created"; 0 without one.
	Status         int
	ETag, Location string
	Outcome        jsontext.Value

	resource value
}

// Text is the resource, to be read as long as the Bundle's own may be.
func (e BundleEntry) Text() Text { return textOf(e.resource) }

// faultyInside lets a value be broken in itself, for a look at what is left of it.
var faultyInside = json.JoinOptions(jsontext.AllowDuplicateNames(true), jsontext.AllowInvalidUTF8(true))

// WalkBundle goes once over a Bundle and hands out its entries. The envelope is read strictly: a name given twice would hide
// entries. An error means that the page as a whole is lost; it holds nothing of its content.
func WalkBundle(body []byte, limits Limits, each func(BundleEntry) error) (BundleInfo, error) {
	info := BundleInfo{Total: -1}
	err := scanned(body, func(v value) (err error) {
		info, err = walkBundle(v, limits.withDefaults(), each)
		return err
	})
	return info, err
}

func walkBundle(v value, limits Limits, each func(BundleEntry) error) (BundleInfo, error) {
	info := BundleInfo{Total: -1}
	if err := envelope(v); err != nil {
		return info, err
	}
	typed := false
	for m := range v.all {
		switch m.name() {
		case "resourceType":
			if m.kind() != '"' {
				return info, errPage
			}
			if m.text() != "Bundle" {
				return info, errNotBundle
			}
			typed = true
		case "type":
			if m.kind() != '"' {
				return info, errPage
			}
			info.Type = m.text()
		case "total":
			if total, err := strconv.Atoi(string(m.raw())); err == nil {
				info.Total = total
			}
		case "link":
			if err := readLinks(m, &info); err != nil {
				return info, err
			}
		case "entry":
			if m.kind() != '[' {
				return info, errPage
			}
			n := 0
			for e := range m.all {
				if n++; n > limits.Entries {
					return info, errLimit
				}
				entry, err := readEntry(e)
				if err != nil {
					return info, err
				}
				if err := each(entry); err != nil {
					return info, err
				}
			}
		}
	}
	if !typed {
		return info, errNotBundle
	}
	return info, nil
}

// envelope checks that a value is an object, and that its own names are few and given once.
func envelope(v value) error {
	switch {
	case v.kind() != '{':
		return errPage
	case v.node().marks&twice != 0:
		return fmt.Errorf("%w: a name given twice", errPage)
	case v.count() > maxMembers:
		return fmt.Errorf("%w: too many names", errPage)
	}
	return nil
}

// IDs lists the resources of a type in a page of a search, Type/id.
func IDs(typ string, page []byte) ([]string, error) {
	var out []string
	_, err := WalkBundle(page, Limits{}, func(e BundleEntry) error {
		if h := e.head(); h.ResourceType == typ && validID(h.ID) && !slices.Contains(out, h.ref()) {
			out = append(out, h.ref())
		}
		return nil
	})
	return out, err
}

func readLinks(v value, info *BundleInfo) error {
	var links []struct {
		Relation string `json:"relation"`
		URL      string `json:"url"`
	}
	if v.node().marks&faulty != 0 || !fill(v, &links) {
		return fmt.Errorf("%w: links", errPage)
	}
	for _, l := range links {
		switch l.Relation {
		case "next":
			if info.Next != "" && info.Next != l.URL {
				return fmt.Errorf("%w: two next pages", errPage)
			}
			info.Next = l.URL
		case "self":
			info.Self = l.URL
		}
	}
	return nil
}

func readEntry(v value) (BundleEntry, error) {
	var e BundleEntry
	if err := envelope(v); err != nil {
		return e, err
	}
	for m := range v.all {
		switch m.name() {
		case "fullUrl":
			e.FullURL = m.text()
		case "resource":
			e.resource, e.Resource = m, m.raw()
		case "search":
			e.SearchMode = searchMode(m)
		case "response":
			e.readResponse(m)
		}
	}
	return e, nil
}

// readResponse reads what a server answered to an entry; nothing of it where a part is of the wrong kind.
func (e *BundleEntry) readResponse(v value) {
	var r reader
	var status, location, etag string
	var outcome jsontext.Value
	if !r.is(v, '{') {
		return
	}
	for m := range v.all {
		switch m.name() {
		case "status":
			status = r.text(m)
		case "location":
			location = r.text(m)
		case "etag":
			etag = r.text(m)
		case "outcome":
			outcome = m.raw()
		}
	}
	if !r.wrong {
		e.Status, e.Location, e.ETag, e.Outcome = statusCode(status), location, etag, outcome
	}
}

// statusCode reads the status of an entry; 0 if it is none of HTTP's.
func statusCode(s string) int {
	code, _, _ := strings.Cut(s, " ")
	n, err := strconv.Atoi(code)
	if err != nil || len(code) != 3 || n < 100 || n > 599 {
		return 0
	}
	return n
}

// searchMode is what a search says of an entry, as far as it can be read.
func searchMode(v value) (mode string) {
	for m := range v.all {
		switch {
		case m.name() != "mode":
		case m.kind() != '"' && m.kind() != 'n':
			return ""
		default:
			mode = m.text()
		}
	}
	return mode
}

func stringOf(v jsontext.Value) string {
	if v.Kind() != '"' {
		return ""
	}
	b, _ := jsontext.AppendUnquote(nil, v) // what is broken stays empty
	return string(b)
}
