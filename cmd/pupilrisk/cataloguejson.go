package main

import (
	"io"

	"pupilrisk/rules"
)

// factorJSON is one factor of the catalogue; lengths are in mm.
type factorJSON struct {
	Factor       string       `json:"factor"`
	Name         string       `json:"name"`
	Hazard       rules.Hazard `json:"hazard"`
	Level        rules.Level  `json:"level,omitzero"` // absent where it is by size, or context only
	ContextOnly  bool         `json:"contextOnly"`
	Grade        string       `json:"grade"`
	Eyes         string       `json:"eyes"`
	OtherEye     rules.Level  `json:"otherEye,omitzero"`
	Why          string       `json:"why,omitempty"`
	Measured     string       `json:"measured,omitempty"`
	Bands        []bandJSON   `json:"bands,omitempty"`
	Raised       []raisedJSON `json:"raised,omitempty"`
	Persists     bool         `json:"persists"`
	PersistsWhy  string       `json:"persistsWhy,omitempty"`
	Jurisdiction string       `json:"jurisdiction,omitempty"`
	Figures      []figureJSON `json:"figures"`
	Sources      []sourceJSON `json:"sources"`
	Catalogue    string       `json:"catalogue"`
}

type bandJSON struct {
	UpTo          *float64    `json:"upTo,omitempty"`
	Below         *float64    `json:"below,omitempty"`
	Level         rules.Level `json:"level"`
	BesideAnother bool        `json:"besideAnother"` // counts beside another factor of that eye only
}

type raisedJSON struct {
	To     rules.Level `json:"to"`
	Factor string      `json:"factor"`
	Below  float64     `json:"below"`
}

type figureJSON struct {
	Text       string `json:"text"`
	Comparator string `json:"comparator"`
	Source     string `json:"source"`
}

type sourceJSON struct {
	Text    string `json:"text"`
	Checked string `json:"checked"`
}

// writeFactors writes what listFactors does, one factor a line.
func writeFactors(w io.Writer, c *rules.Catalogue) error {
	for _, x := range c.Factors {
		out := factorJSON{
			Factor: x.ID, Name: x.Name, Hazard: x.Hazard, Level: x.Level, ContextOnly: x.ContextOnly, Grade: x.Grade, Eyes: x.Eyes, OtherEye: x.Fellow,
			Why: x.Why, Persists: x.Persists, PersistsWhy: x.PersistsWhy, Jurisdiction: x.Jurisdiction,
			Figures: []figureJSON{}, Sources: []sourceJSON{}, Catalogue: c.Version,
		}
		if x.ContextOnly || x.Measure != nil {
			out.Level = rules.NoLevel
		}
		if x.Measure != nil {
			out.Measured = x.Measure.Name
			for _, b := range x.Measure.Bands {
				out.Bands = append(out.Bands, bandJSON{b.UpTo, b.Below, b.Level, b.Beside})
			}
		}
		for _, r := range x.Raise {
			out.Raised = append(out.Raised, raisedJSON(r))
		}
		for _, f := range x.Figures {
			out.Figures = append(out.Figures, figureJSON(f))
		}
		for _, s := range x.Sources {
			out.Sources = append(out.Sources, sourceJSON(s))
		}
		if err := writeJSON(w, out); err != nil {
			return err
		}
	}
	return nil
}

// matchJSON is one way in which a factor is recognised.
type matchJSON struct {
	Factor    string        `json:"factor"`
	Substance string        `json:"substance,omitempty"`
	CodeSets  []codeSetJSON `json:"codeSets"`
	Words     []string      `json:"words,omitempty"`
	Brands    []brandJSON   `json:"brands,omitempty"`
	NotWith   []string      `json:"notWith,omitempty"`
}

type codeSetJSON struct {
	ID          string     `json:"id"`
	Title       string     `json:"title"`
	Codes       []codeJSON `json:"codes,omitempty"`
	Branches    []codeJSON `json:"branches,omitempty"` // each with all below it
	Except      []codeJSON `json:"except,omitempty"`   // each with all below it
	ExceptCodes []codeJSON `json:"exceptCodes,omitempty"`
}

type codeJSON struct {
	System  string `json:"system"`
	Code    string `json:"code"`
	Display string `json:"display,omitempty"`
	Checked string `json:"checked,omitempty"`
}

type brandJSON struct {
	Name    string `json:"name"`
	Country string `json:"country"`
}

// writeCodes writes what listCodes does, one match a line.
func writeCodes(w io.Writer, c *rules.Catalogue, x *rules.Factor) error {
	for _, m := range x.Matches {
		out := matchJSON{Factor: x.ID, Substance: m.Substance, CodeSets: []codeSetJSON{}, Words: m.Words, NotWith: m.Unless}
		for _, id := range m.Codes {
			set := c.CodeSets[id]
			codes := func(list []rules.Code) (out []codeJSON) {
				for _, k := range list {
					out = append(out, codeJSON{k.System, k.Code, k.Display, set.Checked[k]})
				}
				return out
			}
			out.CodeSets = append(out.CodeSets, codeSetJSON{id, set.Title, codes(set.Codes), codes(set.Branches), codes(set.Except), codes(set.ExceptCodes)})
		}
		for _, b := range m.Brands {
			out.Brands = append(out.Brands, brandJSON(b))
		}
		if err := writeJSON(w, out); err != nil {
			return err
		}
	}
	return nil
}
