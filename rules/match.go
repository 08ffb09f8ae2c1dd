package rules

import (
	"cmp"
	"slices"
	"strings"
	"unicode/utf8"
)

// Hit is one factor that an entry is evidence for.
type Hit struct {
	Factor *Factor
	// Matched is what was recognised, as the record writes it.
	Matched string
	How     How
	// Code identifies the evidence across repeats: factor and substance or finding, never a resource id.
	Code string
}

// Recognition says what a booking was recognised as.
type Recognition uint8

const (
	Unclear     Recognition = iota // no rule knows it, or two contradict each other
	IsOperation                    // a lens operation
	IsNot                          // something else
)

// The short names for drugs that came without a code anybody knows.
const (
	textSystem  = "text"  // a name written out, and no code of a known system
	otherSystem = "other" // a code of a system that is not known
	noSystem    = "none"  // neither code nor name
)

// MedicationSystems is the closed list of what Unrecognised returns.
var MedicationSystems = []string{"rxnorm", "atc", "snomed", "ndc", "dmd", "pzn", "unii", otherSystem, textSystem, noSystem}

// codeKey is a code as it is looked up: system by number, code without dots, spaces and case where the system has none.
type codeKey struct {
	system int32
	code   string
}

type setCode struct {
	set int32
	codeKey
}

// index makes matching cost the same for five hundred codes and for fifty thousand: a code costs one look-up, and one for
// each letter of it where its system has branches; a text costs one look-up per word, and one per letter of each long one.
type index struct {
	factors map[string]*Factor
	systems map[string]int32 // by URI and every alias, in lower case
	known   []*System        // by number; nil for systems only code sets name
	sets    map[string]int32 // code set ids
	exact   map[codeKey][]int32
	branch  map[codeKey][]int32
	not     map[setCode]bool // single codes that a branch does not hold
	notDown map[setCode]bool // the same, with their descendants

	harmless   map[int32]bool
	absentSet  map[int32]bool
	absentText map[string]bool

	// By what each is recognised. The group of a use is the place of the factor, question … in the catalogue's list.
	history, planned, questions, cautions, operations, notOperations, implants, mydriatics matcher
}

// matcher finds uses by code set and by word.
type matcher struct {
	bySet map[int32][]*use
	// byWord holds phrases by their first word.
	byWord map[string][]phrase
	// near holds the single names that may be one letter off, by their deletions.
	near      map[string][]string
	nearNames *memo[[]string]
	// names are all words of all phrases.
	names map[string]bool
}

// use is one FactorMatch at its place.
type use struct {
	group, order          int
	match                 *FactorMatch
	unless, despite, need []condition
}

// condition is a code set or a phrase.
type condition struct {
	set    int32 // -1 for a phrase
	phrase []string
}

type phrase struct {
	words []string
	how   How
	use   *use
}

func newMatcher() matcher {
	return matcher{bySet: map[int32][]*use{}, byWord: map[string][]phrase{}, near: map[string][]string{}, names: map[string]bool{}, nearNames: &memo[[]string]{}}
}

func (x *index) add(m *matcher, group int, matches []FactorMatch) {
	for i := range matches {
		f := &matches[i]
		u := &use{
			group: group, order: i, match: f,
			unless: x.conditions(f.Unless), despite: x.conditions(f.Despite), need: x.conditions(f.Needs),
		}
		for _, id := range f.Codes {
			s := x.sets[id]
			m.bySet[s] = append(m.bySet[s], u)
		}
		for _, w := range f.Words {
			p := m.phrase(w, ByText, u)
			if f.Spelling && len(p) == 1 && utf8.RuneCountInString(p[0]) >= minNearLetters {
				for _, d := range deletions(p[0]) {
					if !slices.Contains(m.near[d], p[0]) {
						m.near[d] = append(m.near[d], p[0])
					}
				}
			}
		}
		for _, b := range f.Brands {
			m.phrase(b.Name, BySpelling, u)
		}
	}
}

func (m *matcher) phrase(text string, how How, u *use) []string {
	p := foldPhrase(text)
	if len(p) == 0 {
		return nil
	}
	m.byWord[p[0]] = append(m.byWord[p[0]], phrase{p, how, u})
	for _, w := range p {
		m.names[w] = true
	}
	return p
}

func (x *index) conditions(list []string) []condition {
	var out []condition
	for _, s := range list {
		if id, ok := x.sets[s]; ok {
			out = append(out, condition{set: id})
		} else {
			out = append(out, condition{set: -1, phrase: foldPhrase(s)})
		}
	}
	return out
}

// buildIndex makes the index of a catalogue that NewCatalogue has found sound.
func (c *Catalogue) buildIndex() {
	x := &c.index
	*x = index{
		factors: map[string]*Factor{}, systems: map[string]int32{}, sets: map[string]int32{},
		exact: map[codeKey][]int32{}, branch: map[codeKey][]int32{}, not: map[setCode]bool{}, notDown: map[setCode]bool{},
		harmless: map[int32]bool{}, absentSet: map[int32]bool{}, absentText: map[string]bool{},
		history: newMatcher(), planned: newMatcher(), questions: newMatcher(), cautions: newMatcher(),
		operations: newMatcher(), notOperations: newMatcher(), implants: newMatcher(), mydriatics: newMatcher(),
	}
	for i := range c.Systems {
		s := &c.Systems[i]
		n := int32(len(x.known))
		x.known = append(x.known, s)
		for _, uri := range append([]string{s.URI}, s.Aliases...) {
			x.systems[systemKey(uri)] = n
		}
	}
	ids := make([]string, 0, len(c.CodeSets))
	for id := range c.CodeSets {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	for n, id := range ids {
		x.sets[id] = int32(n)
	}
	for n, id := range ids {
		set := int32(n)
		s := c.CodeSets[id]
		for _, k := range s.Codes {
			key := x.learn(k)
			x.exact[key] = append(x.exact[key], set)
		}
		for _, k := range s.Branches {
			key := x.learn(k)
			x.branch[key] = append(x.branch[key], set)
		}
		for _, k := range s.Except {
			x.notDown[setCode{set, x.learn(k)}] = true
		}
		for _, k := range s.ExceptCodes {
			x.not[setCode{set, x.learn(k)}] = true
		}
	}
	for i, f := range c.Factors {
		x.factors[f.ID] = f
		if f.Planned {
			x.add(&x.planned, i, f.Matches)
		} else {
			x.add(&x.history, i, f.Matches)
		}
	}
	for i := range c.Questions {
		x.add(&x.questions, i, c.Questions[i].Matches)
	}
	for i := range c.Cautions {
		x.add(&x.cautions, i, c.Cautions[i].Matches)
	}
	x.add(&x.operations, 0, c.Services.Operation)
	x.add(&x.notOperations, 0, c.Services.NotOperation)
	x.add(&x.implants, 0, c.Services.Implant)
	x.add(&x.mydriatics, 0, c.Reading.Mydriatics)
	for _, h := range c.Reading.Harmless {
		x.harmless[x.sets[h.Codes]] = true
	}
	for _, id := range c.Reading.Absent.Codes {
		x.absentSet[x.sets[id]] = true
	}
	for _, w := range c.Reading.Absent.Words {
		x.absentText[strings.Join(foldPhrase(w), " ")] = true
	}
}

func systemKey(uri string) string {
	uri, _, _ = strings.Cut(uri, "|")
	return strings.ToLower(strings.TrimRight(strings.TrimSpace(uri), "/"))
}

// learn is the key of a code of a code set; a system that is not known by name gets a number of its own.
func (x *index) learn(k Code) codeKey {
	sys := systemKey(k.System)
	if _, ok := x.systems[sys]; !ok {
		x.systems[sys] = int32(len(x.known))
		x.known = append(x.known, nil)
	}
	key, _ := x.key(k)
	return key
}

// key is the key of a code, without a system number if its system is in no code set and not known by name.
func (x *index) key(k Code) (codeKey, bool) {
	n, ok := x.systems[k.System]
	if !ok {
		n, ok = x.systems[systemKey(k.System)]
	}
	if !ok || k.Code == "" {
		return codeKey{}, false
	}
	code := strings.TrimSpace(k.Code)
	if s := x.known[n]; s != nil && s.Branches {
		code = plainCode(code)
	}
	return codeKey{n, code}, true
}

// plainCode is a code without dots, spaces, case and the dagger and asterisk of ICD-10.
func plainCode(s string) string {
	plain := true
	for i := range len(s) {
		if b := s[i]; !(b >= '0' && b <= '9' || b >= 'A' && b <= 'Z') {
			plain = false
			break
		}
	}
	if plain {
		return s
	}
	return strings.Map(func(r rune) rune {
		switch r {
		case '.', ' ', '†', '*', '+', '!':
			return -1
		}
		return r
	}, strings.ToUpper(s))
}

// setsOf calls yield for every code set that holds the code. A SNOMED CT expression counts by the concepts it refines.
func (x *index) setsOf(k Code, yield func(set int32, how How)) {
	key, ok := x.key(k)
	if !ok {
		return
	}
	if focus, refined, _ := strings.Cut(key.code, ":"); refined != "" || strings.ContainsAny(focus, "|+") {
		for _, one := range strings.Split(focus, "+") {
			one, _, _ = strings.Cut(one, "|")
			x.setsOfKey(codeKey{key.system, strings.TrimSpace(one)}, yield)
		}
		return
	}
	x.setsOfKey(key, yield)
}

func (x *index) setsOfKey(key codeKey, yield func(set int32, how How)) {
	for _, s := range x.exact[key] {
		yield(s, ByCode)
	}
	if s := x.known[key.system]; s == nil || !s.Branches {
		return
	}
	for n := len(key.code); n > 0; n-- {
		for _, s := range x.branch[codeKey{key.system, key.code[:n]}] {
			if !x.stranger(s, key) {
				yield(s, ByClass)
			}
		}
	}
}

// stranger reports that the set leaves the code out of its branches.
func (x *index) stranger(set int32, key codeKey) bool {
	if len(x.not) > 0 && x.not[setCode{set, key}] {
		return true
	}
	if len(x.notDown) == 0 {
		return false
	}
	for n := len(key.code); n > 0; n-- {
		if x.notDown[setCode{set, codeKey{key.system, key.code[:n]}}] {
			return true
		}
	}
	return false
}

// found is one use that an entry answers to.
type found struct {
	use     *use
	how     How
	matched string
	named   bool // matched is a name and not a bare code
}

// surer orders what was found of one group: by how sure it is, then by the catalogue's order, then by what is written, so
// that the order of codings and concepts makes no difference.
func surer(a, b found) int {
	return cmp.Or(
		cmp.Compare(sureness(a.how), sureness(b.how)), cmp.Compare(a.use.order, b.use.order),
		-cmp.Compare(boolInt(a.named), boolInt(b.named)), cmp.Compare(a.matched, b.matched),
	)
}

func sureness(h How) int { return slices.Index([]How{ByCode, ByClass, ByText, BySpelling}, h) }

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

// reading is one entry while it is matched. What the conditions need of it is gathered when first asked for.
type reading struct {
	*index
	entry *Entry
	// recognised reports that a code of the entry was recognised.
	recognised bool
	found      []found

	gathered bool
	sets     map[int32]bool
	texts    [][]word
}

func (r *reading) gather() {
	if r.gathered {
		return
	}
	r.gathered = true
	r.sets = map[int32]bool{}
	for _, list := range [][]Concept{r.entry.Concepts, r.entry.Qualifiers} {
		for _, c := range list {
			for _, k := range c.Codes {
				r.setsOf(k, func(s int32, _ How) { r.sets[s] = true })
				r.texts = append(r.texts, words(k.Display))
			}
			r.texts = append(r.texts, words(c.Text))
		}
	}
	r.texts = append(r.texts, words(r.entry.Note))
}

func (r *reading) holds(list []condition) bool {
	r.gather()
	for _, c := range list {
		if c.set >= 0 {
			if r.sets[c.set] {
				return true
			}
			continue
		}
		for _, ws := range r.texts {
			if within(ws, c.phrase) {
				return true
			}
		}
	}
	return false
}

// allows reports whether the conditions of a use hold.
func (r *reading) allows(u *use) bool {
	if k := u.match.Kinds; len(k) > 0 && !slices.Contains(k, r.entry.Kind) {
		return false
	}
	if len(u.need) > 0 && !r.holds(u.need) {
		return false
	}
	return len(u.unless) == 0 || !r.holds(u.unless) || (len(u.despite) > 0 && r.holds(u.despite))
}

// concept matches one concept: by its codes, and only if the catalogue knows none of them by its texts.
func (r *reading) concept(m *matcher, c Concept) {
	known := false
	for _, k := range c.Codes {
		r.setsOf(k, func(s int32, how How) {
			uses := m.bySet[s]
			if len(uses) > 0 || r.harmless[s] {
				known = true
			}
			for _, u := range uses {
				if r.allows(u) {
					name := cmp.Or(strings.TrimSpace(k.Display), strings.TrimSpace(c.Text))
					r.found = append(r.found, found{u, how, cmp.Or(name, k.Code), name != ""})
				}
			}
		})
	}
	if known {
		r.recognised = true
		return
	}
	for _, k := range c.Codes {
		r.text(m, k.Display)
	}
	r.text(m, c.Text)
}

func (r *reading) text(m *matcher, text string) {
	if text == "" || len(m.byWord) == 0 {
		return
	}
	ws := words(text)
	for i := range ws {
		exact := false
		for _, p := range m.byWord[ws[i].text] {
			if startsWith(ws[i:], p.words) {
				exact = true
				r.textHit(p.use, p.how, text, ws, i, i+len(p.words))
			}
		}
		if exact || m.names[ws[i].text] || len(ws[i].text) < minNearLetters-1 {
			continue
		}
		r.nearText(m, text, ws, i)
	}
}

// nearText looks for a name that is one letter off.
func (r *reading) nearText(m *matcher, text string, ws []word, i int) {
	for _, name := range m.nearNames.of(ws[i].text, m.oneOff) {
		for _, p := range m.byWord[name] {
			if len(p.words) == 1 && p.how == ByText && p.use.match.Spelling {
				r.textHit(p.use, BySpelling, text, ws, i, i+1)
			}
		}
	}
}

// oneOff lists the names that are one letter off a word.
func (m *matcher) oneOff(text string) []string {
	var out []string
	for _, d := range deletions(text) {
		for _, name := range m.near[d] {
			if !slices.Contains(out, name) && oneEdit(name, text) {
				out = append(out, name)
			}
		}
	}
	return out
}

func (r *reading) textHit(u *use, how How, text string, ws []word, i, j int) {
	if !r.allows(u) || denied(ws, i, j) {
		return
	}
	r.found = append(r.found, found{u, how, excerpt(text, ws, i, j), true})
}

// absent reports an observation whose value says no.
func (r *reading) absent() bool {
	if r.entry.Kind != Observation || r.entry.Amount != nil {
		return false
	}
	for _, q := range r.entry.Qualifiers {
		for _, k := range q.Codes {
			no := false
			r.setsOf(k, func(s int32, _ How) { no = no || r.absentSet[s] })
			if no || r.absentText[strings.Join(foldPhrase(k.Display), " ")] {
				return true
			}
		}
		if q.Text != "" && r.absentText[strings.Join(foldPhrase(q.Text), " ")] {
			return true
		}
	}
	return false
}

// match lists what the matcher finds in the entry, the surest of each group, in the order of the groups.
func (x *index) match(m *matcher, e *Entry) *reading {
	r := &reading{index: x, entry: e}
	if len(e.Qualifiers) > 0 && r.absent() {
		return r
	}
	for _, c := range e.Concepts {
		r.concept(m, c)
	}
	if e.Kind == Observation && e.Amount == nil {
		// What was observed may stand in the value: iris finding, value posterior synechiae.
		for _, q := range e.Qualifiers {
			r.concept(m, q)
		}
	}
	slices.SortFunc(r.found, func(a, b found) int { return cmp.Or(cmp.Compare(a.use.group, b.use.group), surer(a, b)) })
	r.found = slices.CompactFunc(r.found, func(a, b found) bool { return a.use.group == b.use.group })
	return r
}

func (c *Catalogue) hits(list []found) []Hit {
	var out []Hit
	for _, f := range list {
		h := Hit{Factor: c.Factors[f.use.group], Matched: f.matched, How: f.how}
		h.Code = h.Factor.ID
		if s := f.use.match.Substance; s != "" {
			h.Code += ":" + s
		}
		out = append(out, h)
	}
	return out
}

// Match lists the factors that e is evidence for, by its codes, classes and texts, whatever its standing, date and value.
// Each factor is listed once, by its surest match; the order is that of c.Factors. Planned factors are not among them.
//
// A code that the catalogue knows ends the search in its concept: the text beside it is then not looked at. A text is
// matched as whole words, and not where its own clause denies it or speaks of a relative.
func (c *Catalogue) Match(e *Entry) []Hit { return c.hits(c.index.match(&c.index.history, e).found) }

// Planned lists the planned factors that a booking names.
func (c *Catalogue) Planned(booking []Concept) []Hit {
	return c.hits(c.index.match(&c.index.planned, &Entry{Kind: Procedure, Concepts: booking}).found)
}

// Asks lists the questions that e is a reason for.
func (c *Catalogue) Asks(e *Entry) []*Question {
	var out []*Question
	for _, f := range c.index.match(&c.index.questions, e).found {
		out = append(out, &c.Questions[f.use.group])
	}
	return out
}

// Cautioned lists the cautions that e is a reason for.
func (c *Catalogue) Cautioned(e *Entry) []*Caution {
	var out []*Caution
	for _, f := range c.index.match(&c.index.cautions, e).found {
		out = append(out, &c.Cautions[f.use.group])
	}
	return out
}

// Unrecognised reports a drug that nothing recognises and nobody could read: no code or name of it is known to the
// catalogue, and it has no named code of a drug code system. A drug that is simply no factor, and is named in such a
// system, is recognised. system is one of MedicationSystems.
func (c *Catalogue) Unrecognised(e *Entry) (system string, yes bool) {
	if e.Kind != Medication {
		return "", false
	}
	if r := c.index.match(&c.index.history, e); r.recognised || len(r.found) > 0 {
		return "", false
	}
	best := len(MedicationSystems) - 1
	note := func(name string) { best = min(best, slices.Index(MedicationSystems, name)) }
	for _, k := range e.Concepts {
		if strings.TrimSpace(k.Text) != "" {
			note(textSystem)
		}
		for _, code := range k.Codes {
			key, ok := c.index.key(code)
			switch {
			case ok && c.index.known[key.system] != nil && c.index.known[key.system].Drugs != "":
				if strings.TrimSpace(code.Display) != "" || strings.TrimSpace(k.Text) != "" {
					return "", false
				}
				note(c.index.known[key.system].Drugs)
			case code.Code != "" && code.System != "":
				note(otherSystem)
			case strings.TrimSpace(code.Display) != "":
				note(textSystem)
			case code.Code != "":
				note(otherSystem)
			}
		}
	}
	return MedicationSystems[best], true
}

// Service says whether a booking, by what it names as service, type, specialty, reason and description, is a lens
// operation. A code counts before a text; a text that speaks of an operation and of a visit is of the visit; two that
// contradict each other are unclear.
func (c *Catalogue) Service(booking []Concept) Recognition {
	var opCode, notCode, opText, notText bool
	for _, k := range booking {
		e := &Entry{Concepts: []Concept{k}}
		op, opSure := sure(c.index.match(&c.index.operations, e).found)
		not, notSure := sure(c.index.match(&c.index.notOperations, e).found)
		opCode = opCode || opSure
		notCode = notCode || notSure
		if !opSure && !notSure {
			notText = notText || not
			opText = opText || (op && !not)
		}
	}
	switch {
	case opCode && notCode:
		return Unclear
	case opCode:
		return IsOperation
	case notCode:
		return IsNot
	case opText && notText:
		return Unclear
	case opText:
		return IsOperation
	case notText:
		return IsNot
	}
	return Unclear
}

// sure reports whether anything was found, and whether by a code.
func sure(list []found) (any, byCode bool) {
	return len(list) > 0, len(list) > 0 && (list[0].how == ByCode || list[0].how == ByClass)
}

// LensDone reports that e records a finished lens operation, or says that an eye's lens has been operated on.
func (c *Catalogue) LensDone(e *Entry) bool {
	if e.Kind == Procedure && c.Service(e.Concepts) == IsOperation {
		return true
	}
	return len(c.index.match(&c.index.implants, e).found) > 0
}

// Dilated reports whether the entry says that the pupil was dilated when f measured it: by a code, or by a word in its
// names, qualifiers or note that no word for an undilated pupil contradicts.
func (c *Catalogue) Dilated(f *Factor, e *Entry) bool {
	m := f.Measure
	r := &reading{index: &c.index, entry: e}
	if r.holds(c.index.conditions(m.UndilatedWords)) {
		return false
	}
	return r.holds(c.index.conditions(m.DilatedCodes)) || r.holds(c.index.conditions(m.DilatedWords)) || c.Mydriatic(e)
}

// Mydriatic reports whether the entry names a drug that widens the pupil.
func (c *Catalogue) Mydriatic(e *Entry) bool {
	named := *e
	named.Concepts = slices.Concat(e.Concepts, e.Qualifiers, []Concept{{Text: e.Note}})
	named.Qualifiers, named.Note = nil, ""
	return len(c.index.match(&c.index.mydriatics, &named).found) > 0
}

// SystemURI is the canonical URI of a code system, whichever of its spellings is given; an unknown one is returned as it
// is.
func (c *Catalogue) SystemURI(uri string) string {
	if n, ok := c.index.systems[systemKey(uri)]; ok && c.index.known[n] != nil {
		return c.index.known[n].URI
	}
	return uri
}

// factor is the factor of that id; nil if there is none or it is switched off.
func (c *Catalogue) factor(id string) *Factor { return c.index.factors[id] }
