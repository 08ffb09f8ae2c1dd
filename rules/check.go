package rules

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// NewCatalogue puts the layers together and checks the whole. Of two layers that hold a part of the same id the later one
// counts; a later layer may switch a factor off. The version is the first layer's, with that of each later layer behind
// a plus sign.
//
// Every fault is one line "file:line: reason"; all of them are joined in the error.
func NewCatalogue(layers ...*Layer) (*Catalogue, error) {
	k := &checker{c: &Catalogue{CodeSets: map[string]*CodeSet{}}, off: map[string]bool{}, systemsOf: map[string]*codeSystem{}}
	for i, l := range layers {
		k.merge(l, i > 0)
	}
	k.check()
	if len(k.errs) > 0 {
		return nil, errors.Join(k.errs...)
	}
	c := k.c
	slices.SortFunc(c.Factors, func(a, b *Factor) int {
		return cmp.Or(
			cmp.Compare(slices.Index(Hazards, a.Hazard), slices.Index(Hazards, b.Hazard)),
			cmp.Compare(b.greatest(), a.greatest()), cmp.Compare(a.ID, b.ID),
		)
	})
	c.dropNodes()
	c.buildIndex()
	return c, nil
}

// greatest is the highest level the factor can have by itself.
func (f *Factor) greatest() Level {
	l := f.Level
	if f.Measure != nil {
		for _, b := range f.Measure.Bands {
			l = max(l, b.Level)
		}
	}
	return l
}

// dropNodes lets go of the parsed files.
func (c *Catalogue) dropNodes() {
	for _, f := range c.Factors {
		f.at.node = nil
	}
	for i := range c.Preparations {
		c.Preparations[i].at.node = nil
	}
	for i := range c.Questions {
		c.Questions[i].at.node = nil
	}
	for i := range c.Cautions {
		c.Cautions[i].at.node = nil
	}
	for i := range c.Systems {
		c.Systems[i].at.node = nil
	}
	c.Wording.at.node, c.Services.at.node, c.Reading.at.node = nil, nil, nil
	for id, s := range c.CodeSets {
		bare := *s
		bare.Text = nil
		c.CodeSets[id] = &bare
	}
}

type checker struct {
	c     *Catalogue
	off   map[string]bool // factors a site has switched off
	local []LocalCode     // codes that a site has added to code sets
	// systemsOf holds the systems that code sets name, by URI.
	systemsOf map[string]*codeSystem
	errs      []error
}

func (k *checker) fault(at position, path, format string, args ...any) {
	k.errs = append(k.errs, at.fault(path, format, args...))
}

// replace puts the parts of a layer into a list: a part of an id that an earlier layer has takes its place; twice in one
// layer is a fault.
func replace[T any](k *checker, list []T, layer []T, id func(*T) string, at func(*T) position) []T {
	seen := map[string]bool{}
	for _, v := range layer {
		key := id(&v)
		if seen[key] {
			k.fault(at(&v), "", "%q stands twice", key)
			continue
		}
		seen[key] = true
		if i := slices.IndexFunc(list, func(o T) bool { return id(&o) == key }); i >= 0 {
			list[i] = v
		} else {
			list = append(list, v)
		}
	}
	return list
}

func (k *checker) merge(l *Layer, overlay bool) {
	c := k.c
	if overlay {
		c.Version += "+" + l.Version
	} else {
		c.Version = l.Version
	}
	for _, f := range l.Factors {
		if f.Off && overlay && !slices.ContainsFunc(c.Factors, func(o *Factor) bool { return o.ID == f.ID }) {
			k.fault(f.at, "factor", "no factor %q to switch off", f.ID)
		}
	}
	c.Factors = replace(k, c.Factors, l.Factors, func(f **Factor) string { return (*f).ID }, func(f **Factor) position { return (*f).at })
	c.Factors = slices.DeleteFunc(c.Factors, func(f *Factor) bool {
		k.off[f.ID] = f.Off && overlay
		return f.Off && overlay
	})
	sets := map[string]bool{}
	for _, s := range l.CodeSets {
		if sets[s.ID] {
			k.fault(position{file: s.File}, "", "code set %q stands twice", s.ID)
		}
		sets[s.ID] = true
		c.CodeSets[s.ID] = s
	}
	for _, lc := range l.LocalCodes {
		s, ok := c.CodeSets[lc.CodeSet]
		switch {
		case !ok:
			k.fault(lc.at, "code_set", "no code set %q", lc.CodeSet)
			continue
		case lc.System == "" || lc.Code == "":
			k.fault(lc.at, "", "a local code needs a system and a code")
			continue
		}
		grown := *s
		grown.Codes = append(slices.Clone(s.Codes), Code{lc.System, lc.Code, lc.Display})
		c.CodeSets[lc.CodeSet] = &grown
		k.local = append(k.local, lc)
	}
	c.Preparations = replace(k, c.Preparations, l.Preparations, func(p *PreparationRule) string { return p.Code }, func(p *PreparationRule) position { return p.at })
	c.Questions = replace(k, c.Questions, l.Questions, func(q *Question) string { return q.ID }, func(q *Question) position { return q.at })
	c.Cautions = replace(k, c.Cautions, l.Cautions, func(x *Caution) string { return x.ID }, func(x *Caution) position { return x.at })
	c.Systems = replace(k, c.Systems, l.Systems, func(s *System) string { return s.URI }, func(s *System) position { return s.at })
	if w := l.Wording; w != nil {
		k.wordingKeys(w)
		for _, m := range c.Wording.maps(w) {
			if *m.into == nil {
				*m.into = map[string]string{}
			}
			maps.Copy(*m.into, m.from)
		}
		c.Wording.at = w.at
	}
	if s := l.Services; s != nil {
		if s.Operation != nil {
			c.Services.Operation = s.Operation
		}
		if s.NotOperation != nil {
			c.Services.NotOperation = s.NotOperation
		}
		if s.Implant != nil {
			c.Services.Implant = s.Implant
		}
		k.matches(s.at, "operation", s.Operation, false)
		k.matches(s.at, "not_operation", s.NotOperation, false)
		k.matches(s.at, "implant", s.Implant, true)
		if s.Cases != nil {
			c.Services.Cases = s.Cases
		}
		k.cases(s.at, s.Cases, false)
		c.Services.at = s.at
	}
	if r := l.Reading; r != nil {
		c.Reading = *r
	}
}

type wordingMap struct {
	name string
	into *map[string]string
	from map[string]string
	keys []string // that must be worded, and the only ones that may be; nil for any
}

func (w *Wording) maps(from *Wording) []wordingMap {
	return []wordingMap{
		{"levels", &w.Levels, from.Levels, texts(High, Moderate, Low)},
		{"hazards", &w.Hazards, from.Hazards, strs(Hazards)},
		{"eyes", &w.Eyes, from.Eyes, texts(RightEye, LeftEye, BothEyes, EyeUnknown)},
		{"outcomes", &w.Outcomes, from.Outcomes, strs(Outcomes)},
		{"gaps", &w.Gaps, from.Gaps, strs(GapKinds)},
		{"cautions", &w.Cautions, from.Cautions, nil},
	}
}

func texts[T fmt.Stringer](list ...T) (out []string) {
	for _, v := range list {
		out = append(out, v.String())
	}
	return out
}

func strs[T ~string](list []T) (out []string) {
	for _, v := range list {
		out = append(out, string(v))
	}
	return out
}

func (k *checker) wordingKeys(w *Wording) {
	for _, m := range w.maps(w) {
		for _, key := range slices.Sorted(maps.Keys(m.from)) {
			if m.keys != nil && !slices.Contains(m.keys, key) {
				k.fault(w.at, m.name+"."+key, "wording for %q, which is none of the %s", key, m.name)
			}
		}
	}
}

// check looks at the whole.
func (k *checker) check() {
	c := k.c
	if !regexp.MustCompile(`^[0-9]{4}\.[0-9]{1,2}\.[0-9]+(\+[0-9a-f]+)*$`).MatchString(c.Version) {
		k.fault(position{file: "VERSION"}, "", "version %q is not of the form 2026.11.1", c.Version)
	}
	if c.Wording.at.file == "" {
		c.Wording.at.file = "wording.yaml"
	}
	k.systems()
	k.codeSets()
	k.harmless()
	for _, f := range c.Factors {
		k.factor(f)
	}
	for i := range c.Preparations {
		k.preparation(&c.Preparations[i])
	}
	for i := range c.Questions {
		q := &c.Questions[i]
		if q.ID == "" || q.Text == "" {
			k.fault(q.at, "", "a question needs an id and a text")
		}
		for j, id := range q.Unless {
			k.factorRef(q.at, fmt.Sprintf("unless_factors[%d]", j), id)
		}
		k.matches(q.at, "match", q.Matches, true)
		k.cases(q.at, q.Cases, true)
	}
	for i := range c.Cautions {
		k.caution(&c.Cautions[i])
	}
	for _, m := range c.Wording.maps(&c.Wording) {
		for _, key := range m.keys {
			if strings.TrimSpace(m.from[key]) == "" && (m.name != "outcomes" || key != string(Flagged)) {
				k.fault(c.Wording.at, m.name, "no wording for %s in %s", key, m.name)
			}
		}
	}
	for _, key := range []string{"no-clearance", "do-not-stop"} {
		if strings.TrimSpace(c.Wording.Cautions[key]) == "" {
			k.fault(c.Wording.at, "cautions", "no wording for %s in cautions, which every list must carry", key)
		}
	}
	k.cases(c.Reading.at, c.Reading.Cases, true)
	for i, h := range c.Reading.Harmless {
		k.codeSetRef(c.Reading.at, fmt.Sprintf("harmless[%d].codes", i), h.Codes)
		if h.Why == "" {
			k.fault(c.Reading.at, fmt.Sprintf("harmless[%d]", i), "harmless without a reason")
		}
	}
	for i, id := range c.Reading.Absent.Codes {
		k.codeSetRef(c.Reading.at, fmt.Sprintf("absent.codes[%d]", i), id)
	}
	k.matches(c.Reading.at, "mydriatics", c.Reading.Mydriatics, true)
}

func (k *checker) systems() {
	seen := map[string]string{}
	for i := range k.c.Systems {
		s := &k.c.Systems[i]
		if s.URI == "" || s.Name == "" {
			k.fault(s.at, "", "a system needs a URI and a name")
		}
		if s.Drugs != "" && !slices.Contains(MedicationSystems[:len(MedicationSystems)-3], s.Drugs) {
			k.fault(s.at, "drugs", "%q is not a short name of a drug code system", s.Drugs)
		}
		if _, err := s.form(); err != nil {
			k.fault(s.at, "form", "%q is not a regular expression", s.Form)
			s.Form = ""
		}
		if checkDigits[s.CheckDigit] == nil && s.CheckDigit != "" {
			k.fault(s.at, "check_digit", "check digit %q is not verhoeff or luhn", s.CheckDigit)
			s.CheckDigit = ""
		}
		for j, uri := range append([]string{s.URI}, s.Aliases...) {
			path := "system"
			if j > 0 {
				path = fmt.Sprintf("aliases[%d]", j-1)
			}
			if other, ok := seen[systemKey(uri)]; ok {
				k.fault(s.at, path, "%q already names %s", uri, other)
			}
			seen[systemKey(uri)] = s.URI
		}
	}
}

// branched are the spellings of systems whose branches can be told from the code alone.
func (k *checker) branched() map[string]bool {
	out := map[string]bool{}
	for _, s := range k.c.Systems {
		if s.Branches {
			for _, uri := range append([]string{s.URI}, s.Aliases...) {
				out[systemKey(uri)] = true
			}
		}
	}
	return out
}

// codeSystem is what is known of the system that a code set names.
type codeSystem struct {
	*System        // nil if it is not known
	meant   string // a URI that is known and one slip of the hand away from it
	form    *regexp.Regexp
}

func (s *System) form() (*regexp.Regexp, error) { return regexp.Compile("^(?:" + s.Form + ")$") }

func (k *checker) system(uri string) *codeSystem {
	if s, ok := k.systemsOf[uri]; ok {
		return s
	}
	out, key := &codeSystem{}, systemKey(uri)
	for i := range k.c.Systems {
		s := &k.c.Systems[i]
		for _, known := range append([]string{s.URI}, s.Aliases...) {
			switch {
			case systemKey(known) == key:
				out.System = s
			case oneEdit(systemKey(known), key):
				out.meant = known
			}
		}
	}
	if out.System != nil && out.Form != "" {
		out.form, _ = out.System.form() // systems has told of the error
	}
	k.systemsOf[uri] = out
	return out
}

// codeAt is where a code of a code set is written: in its file, or among the site's local codes.
func (k *checker) codeAt(s *CodeSet, c Code) position {
	for _, lc := range k.local {
		if lc.CodeSet == s.ID && lc.System == c.System && lc.Code == c.Code {
			return lc.at
		}
	}
	i := max(bytes.Index(s.Text, []byte(strconv.Quote(c.Code))), 0)
	return position{file: s.File, first: 1 + bytes.Count(s.Text[:i], []byte{'\n'})}
}

// code checks one code of a code set by itself.
func (k *checker) code(s *CodeSet, c Code) {
	system := k.system(c.System)
	switch {
	case system.System == nil && system.meant != "":
		k.fault(k.codeAt(s, c), "", "no system %q is known; is %q meant?", c.System, system.meant)
	case system.form != nil && !system.form.MatchString(c.Code):
		k.fault(k.codeAt(s, c), "", "%q does not look like a code of %s", c.Code, system.Name)
	case system.System != nil && system.CheckDigit != "" && !checkDigits[system.CheckDigit](c.Code):
		k.fault(k.codeAt(s, c), "", "%q is no code of %s: its check digit is wrong", c.Code, system.Name)
	}
	if checked, ok := s.Checked[c]; ok && !slices.Contains(checkedWords, checked) {
		k.fault(k.codeAt(s, c), "", "code checked %q is not %s", checked, checkedList)
	}
}

func (k *checker) codeSets() {
	branched := k.branched()
	for _, id := range slices.Sorted(maps.Keys(k.c.CodeSets)) {
		s := k.c.CodeSets[id]
		at := position{file: s.File}
		if len(s.Codes)+len(s.Branches) == 0 {
			k.fault(at, "", "code set %q is empty", id)
		}
		if !idPattern.MatchString(id) {
			k.fault(at, "", "code set id %q is not lower-case words with hyphens", id)
		}
		for _, list := range [][]Code{s.Branches, s.Except} {
			for _, b := range list {
				if !branched[systemKey(b.System)] {
					k.fault(at, "", "branch %s of %s: the codes below it cannot be told from the code; list them", b.Code, b.System)
				}
			}
		}
		for _, c := range slices.Concat(s.Codes, s.Branches, s.Except, s.ExceptCodes) {
			k.code(s, c)
		}
	}
}

// harmless tells of the codes of factors that are also listed as harmless, and so find nothing.
func (k *checker) harmless() {
	harmless := map[Code]string{}
	for _, h := range k.c.Reading.Harmless {
		if s := k.c.CodeSets[h.Codes]; s != nil {
			for _, c := range slices.Concat(s.Codes, s.Branches) {
				harmless[Code{System: c.System, Code: c.Code}] = h.Codes
			}
		}
	}
	told := map[string]bool{}
	for _, f := range k.c.Factors {
		for _, m := range f.Matches {
			for _, id := range m.Codes {
				s := k.c.CodeSets[id]
				if s == nil || told[id] {
					continue
				}
				told[id] = true
				for _, c := range slices.Concat(s.Codes, s.Branches) {
					if other := harmless[Code{System: c.System, Code: c.Code}]; other != "" {
						k.fault(k.codeAt(s, c), "", "%q stands in code set %s too, which is harmless; so it finds nothing here", c.Code, other)
					}
				}
			}
		}
	}
}

var idPattern = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

// evidence grades: A pooled or large controlled, B controlled, C regulator or series, D reports or mechanism.
var grades = []string{"A", "B", "C", "D"}

const checkedList = "abstract, page or from memory"

var (
	checkedWords = []string{"abstract", "page", "from memory"}
	// Of a rule of the trade there is nothing to look up.
	noSource = "common practice, no source"
)

func (k *checker) factor(f *Factor) {
	at := f.at
	fault := func(path, format string, args ...any) {
		k.fault(at, path, "factor %s: %s", f.ID, fmt.Sprintf(format, args...))
	}
	if !idPattern.MatchString(f.ID) {
		fault("factor", "id is not lower-case words with hyphens")
	}
	if f.Off {
		fault("off", "only an overlay switches a factor off")
		return
	}
	if f.Name == "" {
		fault("", "no name")
	}
	if f.Hazard == "" {
		fault("", "no hazard")
	}
	if f.Why == "" {
		fault("", "no reason for the level (why)")
	}
	if !slices.Contains(grades, f.Grade) {
		fault("grade", "evidence grade %q is not A, B, C or D", f.Grade)
	}
	if len(f.Sources) == 0 {
		fault("", "no source")
	}
	for i, s := range f.Sources {
		path := fmt.Sprintf("sources[%d]", i)
		switch {
		case s.Text == "":
			fault(path, "a source without text")
		case s.Text != noSource && !slices.Contains(checkedWords, s.Checked):
			fault(path, "source checked %q is not %s", s.Checked, checkedList)
		}
	}
	for i, g := range f.Figures {
		if g.Text == "" || g.Comparator == "" || g.Source == "" {
			fault(fmt.Sprintf("figures[%d]", i), "a figure needs its text, what it was compared to, and its source")
		}
	}
	switch {
	case f.ContextOnly && (f.Level != NoLevel || f.Fellow != NoLevel || f.Measure != nil):
		fault("context_only", "context only, but with a level")
	case f.Measure != nil && f.Level != NoLevel:
		fault("level", "a measurement has the level of its band, and no other")
	case f.Measure == nil && !f.ContextOnly && f.Level == NoLevel:
		fault("", "no level")
	case f.Measure == nil && f.Fellow > f.Level:
		fault("fellow", "the level of the other eye is above the factor's own")
	case f.Measure == nil && f.Settled > f.Level:
		fault("settled", "the level of a settled record is above the factor's own")
	}
	if f.Eyes != "both" && f.Eyes != "recorded" {
		fault("eyes", "eyes %q is not both or recorded", f.Eyes)
	}
	if f.Persists != (f.PersistsWhy != "") {
		fault("persists", "persists and its reason (persists_why) go together")
	}
	if len(f.Matches) == 0 && !f.ContextOnly {
		fault("", "nothing by which it is recognised (match)")
	}
	k.matches(at, "match", f.Matches, true)
	if f.Measure != nil {
		k.measure(f, fault)
	}
	for i, r := range f.Raise {
		path := fmt.Sprintf("raise[%d]", i)
		if r.To == NoLevel || r.Below <= 0 {
			fault(path, "raise needs a level and a limit")
		}
		k.measureRef(at, path+".factor", r.Factor)
	}
	k.cases(at, f.Cases, true)
}

func (k *checker) cases(at position, list []Case, kinds bool) {
	for i, c := range list {
		path := fmt.Sprintf("cases[%d]", i)
		if (kinds && c.Kind == "") || (c.Text == "" && c.Code == "") {
			k.fault(at, path, "a case needs a kind, and a text or a code")
		}
		if c.Gives != "" && !c.Found {
			k.fault(at, path, "a case that is not found gives nothing")
		}
	}
}

func (k *checker) measure(f *Factor, fault func(path, format string, args ...any)) {
	m := f.Measure
	if m.Name == "" || m.Min < 0 || m.Max <= m.Min {
		fault("measure", "a measurement needs a name and a range, min below max")
	}
	for i, id := range m.DilatedCodes {
		k.codeSetRef(f.at, fmt.Sprintf("measure.dilated_codes[%d]", i), id)
	}
	if m.Dilated && len(m.DilatedWords)+len(m.DilatedCodes) == 0 {
		fault("measure", "dilated, but nothing tells that it is")
	}
	if len(m.Bands) == 0 {
		fault("measure", "no bands")
	}
	limit, inclusive, level := m.Min, false, High
	ids := map[string]bool{}
	for i, b := range m.Bands {
		path := fmt.Sprintf("measure.bands[%d]", i)
		if b.ID == "" || ids[b.ID] || b.Level == NoLevel {
			fault(path, "a band needs an id of its own and a level")
		}
		ids[b.ID] = true
		if (b.UpTo == nil) == (b.Below == nil) {
			fault(path, "a band needs one limit: up_to or below")
			continue
		}
		next := b.limit()
		if next < limit || (next == limit && (inclusive || b.UpTo == nil || i == 0)) || next > m.Max {
			fault(path, "band %s ends at %s mm, not above the band before it and inside the range: bands overlap or do not rise", b.ID, num(next))
		}
		if b.Level > level {
			fault(path, "band %s is of a higher level than the smaller one before it", b.ID)
		}
		limit, inclusive, level = next, b.UpTo != nil, b.Level
	}
}

func (b Band) limit() float64 {
	if b.UpTo != nil {
		return *b.UpTo
	}
	return *b.Below
}

// preparationCodes are the actions that the product can write: a task system knows them by these codes.
var preparationCodes = []string{
	"confirm-eye", "confirm-medication-history", "measure-dilated-pupil", "prepare-intracameral-agent", "prepare-pupil-expansion",
	"surgeon-review", "assess-by-hand",
}

// maxDays is the greatest number of days by which an action may be due before the operation: a month, since few patients are
// seen earlier. Common practice, no source.
const maxDays = 31

func (k *checker) preparation(p *PreparationRule) {
	if !slices.Contains(preparationCodes, p.Code) {
		k.fault(p.at, "code", "unknown preparation %q", p.Code)
	}
	if p.Name == "" || strings.TrimSpace(p.Text) == "" || p.Who == "" {
		k.fault(p.at, "", "preparation %s needs a name, a text and who does it", p.Code)
	}
	if len(p.Hazards)+len(p.Gaps) == 0 {
		k.fault(p.at, "", "nothing calls for preparation %s: no hazard and no gap", p.Code)
	}
	if len(p.Hazards) > 0 && p.MinLevel == NoLevel {
		k.fault(p.at, "", "preparation %s is called for by a hazard, but from which level (min_level)?", p.Code)
	}
	if p.Days < 0 || p.Days > maxDays {
		k.fault(p.at, "days", "preparation %s: %d days before the operation is not from 0 to %d", p.Code, p.Days, maxDays)
	}
	for i, a := range p.Advice {
		path := fmt.Sprintf("advice[%d]", i)
		if a.Text == "" || a.Source == "" {
			k.fault(p.at, path, "advice needs a text and a source")
		}
		for j, id := range a.Factors {
			k.factorRef(p.at, fmt.Sprintf("%s.factors[%d]", path, j), id)
		}
	}
}

func (k *checker) caution(x *Caution) {
	if !idPattern.MatchString(x.ID) || x.Text == "" || x.Source == "" {
		k.fault(x.at, "", "a caution needs an id, a text and a source")
	}
	for i, code := range x.Preparations {
		if !slices.Contains(preparationCodes, code) {
			k.fault(x.at, fmt.Sprintf("preparations[%d]", i), "unknown preparation %q", code)
		}
	}
	for i, id := range x.Factors {
		k.factorRef(x.at, fmt.Sprintf("factors[%d]", i), id)
	}
	if len(x.Factors)+len(x.Matches) == 0 {
		k.fault(x.at, "", "nothing calls for caution %s", x.ID)
	}
	k.matches(x.at, "match", x.Matches, true)
	k.cases(x.at, x.Cases, true)
}

// minLetters is the least length of a name that is looked for in texts.
const minLetters = 3

func (k *checker) matches(at position, path string, list []FactorMatch, kinds bool) {
	for i := range list {
		m, p := &list[i], fmt.Sprintf("%s[%d]", path, i)
		if kinds && len(m.Kinds) == 0 {
			k.fault(at, p, "a match needs the kinds of record it looks at")
		}
		if m.Substance != "" && !idPattern.MatchString(m.Substance) {
			k.fault(at, p+".substance", "substance %q is not lower-case words with hyphens", m.Substance)
		}
		if len(m.Codes)+len(m.Words)+len(m.Brands) == 0 {
			k.fault(at, p, "a match needs codes, words or brands")
		}
		for j, id := range m.Codes {
			k.codeSetRef(at, fmt.Sprintf("%s.codes[%d]", p, j), id)
		}
		phrases := func(key string, list []string) {
			for j, w := range list {
				if len(foldPhrase(w)) == 0 {
					k.fault(at, fmt.Sprintf("%s.%s[%d]", p, key, j), "%q holds no word", w)
				}
			}
		}
		short := func(key string, j int, name string) {
			if n := utf8.RuneCountInString(strings.Join(foldPhrase(name), "")); n > 0 && n < minLetters {
				k.fault(at, fmt.Sprintf("%s.%s[%d]", p, key, j), "%q is so short that it would be found in other names", name)
			}
		}
		for j, w := range m.Words {
			short("words", j, w)
		}
		phrases("words", m.Words)
		phrases("unless", m.Unless)
		phrases("despite", m.Despite)
		phrases("needs", m.Needs)
		for j, b := range m.Brands {
			if len(foldPhrase(b.Name)) == 0 || b.Country == "" {
				k.fault(at, fmt.Sprintf("%s.brands[%d]", p, j), "a brand needs a name and the country in which it means this")
			}
			short("brands", j, b.Name)
		}
		if len(m.Despite) > 0 && len(m.Unless) == 0 {
			k.fault(at, p+".despite", "despite without unless")
		}
	}
}

func (k *checker) codeSetRef(at position, path, id string) {
	if _, ok := k.c.CodeSets[id]; !ok {
		k.fault(at, path, "no code set %q", id)
	}
}

// factorRef checks a reference to a factor; one that a site has switched off may still be referred to.
func (k *checker) factorRef(at position, path, id string) {
	if !k.off[id] && !slices.ContainsFunc(k.c.Factors, func(f *Factor) bool { return f.ID == id }) {
		k.fault(at, path, "no factor %q", id)
	}
}

func (k *checker) measureRef(at position, path, id string) {
	if k.off[id] {
		return
	}
	i := slices.IndexFunc(k.c.Factors, func(f *Factor) bool { return f.ID == id })
	if i < 0 || k.c.Factors[i].Measure == nil {
		k.fault(at, path, "no measuring factor %q", id)
	}
}

// CheckCases works the examples that stand beside the factors, questions, cautions, services and what is harmless. Every one
// that comes out otherwise is one line "file:line: reason" of the error.
func (c *Catalogue) CheckCases() error {
	var errs []error
	work := func(file, what string, cases []Case, reason func(Case) string) {
		for i, x := range cases {
			if r := reason(x); r != "" {
				errs = append(errs, fmt.Errorf("%s:%d: %s, case %d: %q: %s", file, x.line, what, i+1, cmp.Or(x.Text, x.Code), r))
			}
		}
	}
	found := func(x Case, found bool) string {
		if found == x.Found {
			return ""
		}
		return fmt.Sprintf("found %v, expected %v", found, x.Found)
	}
	for _, f := range c.Factors {
		work(f.File, "factor "+f.ID, f.Cases, func(x Case) string { return c.work(f, x) })
	}
	for i := range c.Questions {
		q := &c.Questions[i]
		work(q.at.file, "question "+q.ID, q.Cases, func(x Case) string { return found(x, slices.Contains(c.Asks(c.entry(x)), q)) })
	}
	for i := range c.Cautions {
		k := &c.Cautions[i]
		work(k.at.file, "caution "+k.ID, k.Cases, func(x Case) string { return found(x, slices.Contains(c.Cautioned(c.entry(x)), k)) })
	}
	work(c.Services.at.file, "lens operation", c.Services.Cases, func(x Case) string {
		return found(x, c.Service(c.entry(x).Concepts) == IsOperation)
	})
	work(c.Reading.at.file, "no factor", c.Reading.Cases, func(x Case) string {
		hits := slices.DeleteFunc(c.Match(c.entry(x)), func(h Hit) bool { return h.Factor.ContextOnly })
		if len(hits) > 0 && !x.Found {
			return fmt.Sprintf("found as %s, expected for no factor", hits[0].Factor.ID)
		}
		return found(x, len(hits) > 0)
	})
	return errors.Join(errs...)
}

// Cases counts the worked examples.
func (c *Catalogue) Cases() int {
	n := len(c.Services.Cases) + len(c.Reading.Cases)
	for _, f := range c.Factors {
		n += len(f.Cases)
	}
	for _, q := range c.Questions {
		n += len(q.Cases)
	}
	for _, x := range c.Cautions {
		n += len(x.Cases)
	}
	return n
}

// entry is the record of a worked example.
func (c *Catalogue) entry(x Case) *Entry {
	e := &Entry{Reference: "case", Kind: x.Kind, Concepts: []Concept{{Text: x.Text}}, Note: x.Note, Eye: x.Eye, Ended: x.Over}
	if x.Code != "" {
		system, code, _ := strings.Cut(x.Code, "|")
		for _, s := range c.Systems {
			if s.Name == system {
				system = s.URI
			}
		}
		e.Concepts[0].Codes = []Code{{System: system, Code: code}}
	}
	if x.Qualifier != "" {
		e.Qualifiers = []Concept{{Text: x.Qualifier}}
	}
	if x.Size != 0 {
		e.Amount = &Amount{Value: x.Size, Unit: "mm"}
	}
	return e
}

func (c *Catalogue) work(f *Factor, x Case) string {
	e := c.entry(x)
	hits := c.Match(e)
	if f.Planned {
		hits = c.Planned(e.Concepts)
	}
	i := slices.IndexFunc(hits, func(h Hit) bool { return h.Factor == f })
	switch {
	case (i >= 0) != x.Found:
		return fmt.Sprintf("found %v, expected %v", i >= 0, x.Found)
	case i >= 0 && x.How != "" && hits[i].How != x.How:
		return fmt.Sprintf("found by %s, expected by %s", hits[i].How, x.How)
	}
	if gives := c.gives(f, e); x.Gives != "" && gives != x.Gives {
		return fmt.Sprintf("gives %s, expected %s", gives, x.Gives)
	}
	return ""
}

// gives is what the factor finds in both eyes when e is all there is, or all that the booking says.
func (c *Catalogue) gives(f *Factor, e *Entry) string {
	op, h := Operation{Eye: BothEyes}, History{Entries: []Entry{*e}}
	if f.Planned {
		op.Concepts, h.Entries = e.Concepts, nil
	}
	var out []string
	for _, x := range Assess(c, op, h, time.Time{}, Settings{}).Findings {
		if x.Factor == f.ID {
			out = append(out, fmt.Sprintf("%s %s %s", x.Hazard, x.Level, x.Eye))
		}
	}
	slices.SortFunc(out, func(a, b string) int {
		return cmp.Compare(b[strings.LastIndex(b, " "):], a[strings.LastIndex(a, " "):])
	}) // right before left
	return cmp.Or(strings.Join(out, " and "), "nothing")
}
