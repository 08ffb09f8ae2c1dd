package fhirmap

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"

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

// maxMembers bounds the names of one envelope or entry; FHIR has two dozen. Without a bound, looking for a name given twice
// would take a time that grows with their square.
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
	// Status is the number at the beginning of response.status; 0 without one.
	Status         int
	ETag, Location string
	Outcome        jsontext.Value
}

// faultyInside lets an entry be broken in itself: only whoever decodes it refuses it.
var faultyInside = json.JoinOptions(jsontext.AllowDuplicateNames(true), jsontext.AllowInvalidUTF8(true))

// WalkBundle goes once over a Bundle and hands out its entries. The envelope is read strictly: a name given twice would hide
// entries. An error means that the page as a whole is lost; it holds nothing of its content.
func WalkBundle(body []byte, limits Limits, each func(BundleEntry) error) (BundleInfo, error) {
	limits = limits.withDefaults()
	info := BundleInfo{Total: -1}
	d := jsontext.NewDecoder(bytes.NewBuffer(body), faultyInside)
	typed := false
	n := 0
	err := object(d, func(name string) error {
		switch name {
		case "resourceType":
			s, err := text(d)
			if err != nil {
				return err
			}
			if s != "Bundle" {
				return errNotBundle
			}
			typed = true
			return nil
		case "type":
			s, err := text(d)
			info.Type = s
			return err
		case "total":
			v, err := d.ReadValue()
			if err != nil {
				return errPage
			}
			if total, err := strconv.Atoi(string(v)); err == nil {
				info.Total = total
			}
			return nil
		case "link":
			v, err := d.ReadValue()
			if err != nil {
				return errPage
			}
			return readLinks(v, &info)
		case "entry":
			return array(d, func() error {
				if n++; n > limits.Entries {
					return errLimit
				}
				e, err := readEntry(d, body)
				if err != nil {
					return err
				}
				return each(e)
			})
		default:
			if err := d.SkipValue(); err != nil {
				return errPage
			}
			return nil
		}
	})
	if err != nil {
		return info, err
	}
	if _, err := d.ReadToken(); !errors.Is(err, io.EOF) {
		return info, fmt.Errorf("%w: more after its end", errPage)
	}
	if !typed {
		return info, errNotBundle
	}
	return info, nil
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

func readLinks(v jsontext.Value, info *BundleInfo) error {
	var links []struct {
		Relation string `json:"relation"`
		URL      string `json:"url"`
	}
	if err := json.Unmarshal(v, &links); err != nil {
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

func readEntry(d *jsontext.Decoder, body []byte) (BundleEntry, error) {
	var e BundleEntry
	err := object(d, func(name string) error {
		v, err := d.ReadValue()
		if err != nil {
			return errPage
		}
		switch name {
		case "fullUrl":
			e.FullURL = stringOf(v)
		case "resource":
			// The decoder's own slice ends with its next call; the body's does not.
			end := d.InputOffset()
			e.Resource = body[end-int64(len(v)) : end : end]
		case "search":
			var s struct {
				Mode string `json:"mode"`
			}
			if json.Unmarshal(v, &s, faultyInside) == nil {
				e.SearchMode = s.Mode
			}
		case "response":
			var r struct {
				Status   string         `json:"status"`
				Location string         `json:"location"`
				ETag     string         `json:"etag"`
				Outcome  jsontext.Value `json:"outcome"`
			}
			if json.Unmarshal(v, &r, faultyInside) == nil {
				e.Location, e.ETag, e.Outcome = r.Location, r.ETag, r.Outcome
				if len(r.Status) >= 3 {
					e.Status, _ = strconv.Atoi(r.Status[:3]) // no number: no status
				}
			}
		}
		return nil
	})
	return e, err
}

// object reads an object's members; a name given twice is an error.
func object(d *jsontext.Decoder, member func(name string) error) error {
	t, err := d.ReadToken()
	if err != nil || t.Kind() != '{' {
		return errPage
	}
	var seen []string
	for d.PeekKind() == '"' {
		t, err := d.ReadToken()
		if err != nil {
			return errPage
		}
		name := t.String()
		if len(seen) == maxMembers {
			return fmt.Errorf("%w: too many names", errPage)
		}
		for _, s := range seen {
			if s == name {
				return fmt.Errorf("%w: a name given twice", errPage)
			}
		}
		seen = append(seen, name)
		if err := member(name); err != nil {
			return err
		}
	}
	if t, err := d.ReadToken(); err != nil || t.Kind() != '}' {
		return errPage
	}
	return nil
}

func array(d *jsontext.Decoder, element func() error) error {
	t, err := d.ReadToken()
	if err != nil || t.Kind() != '[' {
		return errPage
	}
	for k := d.PeekKind(); k != ']'; k = d.PeekKind() {
		if k == 0 {
			return errPage
		}
		if err := element(); err != nil {
			return err
		}
	}
	_, err = d.ReadToken()
	return err
}

func text(d *jsontext.Decoder) (string, error) {
	v, err := d.ReadValue()
	if err != nil || v.Kind() != '"' {
		return "", errPage
	}
	return stringOf(v), nil
}

func stringOf(v jsontext.Value) string {
	if v.Kind() != '"' {
		return ""
	}
	b, _ := jsontext.AppendUnquote(nil, v) // what is broken stays empty
	return string(b)
}
