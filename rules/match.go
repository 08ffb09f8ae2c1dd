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
// And it is done once for a concept, which is then remembered: records name the same few thousand things again and again.
type index struct {
	factors map[string]int   // place in Catalogue.Factors, by id
	sources [][]string       // texts of the sources of each factor, by its place
	systems map[string]int32 // by URI and every alias, in lower case
	known   []*System        // by number; nil for systems only code sets name
	sets    map[string]int32 // code set ids
	exact   map[codeKey][]int32
	branch  map[codeKey][]int32
	not     map[setCode]bool // single codes that a branch does not hold
	notDown map[setCode]bool // the same, with their descendants

	absentSet  map[int32]bool
	absentText map[string][][]string // by the first word

	bySet [][]*use
	// endsAt says of each code set for which lists the texts beside its codes are not looked at.
	endsAt []lists
	// byWord holds phrases by their first word.
	byWord map[string][]phrase
	// near holds the single names that may be one letter off, by their deletions.
	near map[string][]string
	// names are all words of all phrases, with the lists they stand in.
	names map[string]lists
	// conditionsByWord holds the conditions that are phrases, by their first word; numbers holds them by the whole phrase.
	conditionsByWord map[string][]conditionPhrase
	numbers          map[string]condition
	// dilation says of each measuring factor, by its place, what tells a dilated pupil.
	dilation map[int]dilation

	memo *memo
}

// list is one of the catalogue's lists of what an entry may be recognised as. The group of a use is its place in that list.
type list uint8

const (
	factors list = iota
	planned
	questions
	cautions
	operations
	notOperations
	implants
	mydriatics
)

// lists is a set of them.
type lists uint8

const (
	allLists   lists = 1<<(mydriatics+1) - 1
	entryLists lists = 1<<factors | 1<<questions | 1<<cautions | 1<<implants // what is looked for in every entry
)

func (l lists) has(one list) bool { return l&(1<<one) != 0 }

func (l list) alone() lists { return 1 << l }

// use is one FactorMatch at its place.
type use struct {
	list                  list
	group, order          int
	match                 *FactorMatch
	code                  string // of evidence: factor and substance
	unless, despite, need []condition
}

// condition is the number of a code set, or, above those, of a phrase.
type condition int32

type conditionPhrase struct {
	words  []string
	number condition
}

type phrase struct {
	words []string
	how   How
	use   *use
}

type dilation struct{ codes, words, undilated []condition }

func (x *index) add(to list, group int, code string, matches []FactorMatch) {
	for i := range matches {
		f := &matches[i]
		u := &use{
			list: to, group: group, order: i, match: f, code: code,
			unless: x.conditions(f.Unless), despite: x.conditions(f.Despite), need: x.conditions(f.Needs),
		}
		if f.Substance != "" {
			u.code += ":" + f.Substance
		}
		for _, id := range f.Codes {
			s := x.sets[id]
			x.bySet[s] = append(x.bySet[s], u)
			x.endsAt[s] |= to.alone()
		}
		for _, w := range f.Words {
			p := x.phrase(w, ByText, u)
			if f.Spelling && len(p) == 1 && utf8.RuneCountInString(p[0]) >= minNearLetters {
				for d := range deletions(p[0]) {
					if near := x.near[string(d)]; !slices.Contains(near, p[0]) {
						x.near[string(d)] = append(near, p[0])
					}
				}
			}
		}
		for _, b := range f.Brands {
			x.phrase(b.Name, BySpelling, u)
		}
	}
}

func (x *index) phrase(text string, how How, u *use) []string {
	p := foldPhrase(text)
	if len(p) == 0 {
		return nil
	}
	x.byWord[p[0]] = append(x.byWord[p[0]], phrase{p, how, u})
	for _, w := range p {
		x.names[w] |= u.list.alone()
	}
	return p
}

func (x *index) conditions(list []string) []condition {
	var out []condition
	for _, s := range list {
		if id, ok := x.sets[s]; ok {
			out = append(out, condition(id))
			continue
		}
		p := foldPhrase(s)
		whole := strings.Join(p, " ")
		n, ok := x.numbers[whole]
		if !ok {
			n = condition(len(x.sets) + len(x.numbers))
			x.numbers[whole] = n
			if len(p) > 0 {
				x.conditionsByWord[p[0]] = append(x.conditionsByWord[p[0]], conditionPhrase{p, n})
			}
		}
		out = append(out, n)
	}
	return out
}

// buildIndex makes the index of a catalogue that NewCatalogue has found sound.
func (c *Catalogue) buildIndex() {
	x := &c.index
	*x = index{
		factors: map[string]int{}, systems: map[string]int32{}, sets: map[string]int32{},
		exact: map[codeKey][]int32{}, branch: map[codeKey][]int32{}, not: map[setCode]bool{}, notDown: map[setCode]bool{},
		absentSet: map[int32]bool{}, absentText: map[string][][]string{},
		bySet: make([][]*use, len(c.CodeSets)), endsAt: make([]lists, len(c.CodeSets)),
		byWord: map[string][]phrase{}, near: map[string][]string{}, names: map[string]lists{},
		conditionsByWord: map[string][]conditionPhrase{}, numbers: map[string]condition{}, dilation: map[int]dilation{},
		memo: newMemo(),
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
		x.factors[f.ID] = i
		var sources []string
		for _, src := range f.Sources {
			sources = append(sources, src.Text)
		}
		x.sources = append(x.sources, slices.Clip(sources))
		if m := f.Measure; m != nil {
			x.dilation[i] = dilation{x.conditions(m.DilatedCodes), x.conditions(m.DilatedWords), x.conditions(m.UndilatedWords)}
		}
		to := factors
		if f.Planned {
			to = planned
		}
		x.add(to, i, f.ID, f.Matches)
	}
	for i := range c.Questions {
		x.add(questions, i, "", c.Questions[i].Matches)
	}
	for i := range c.Cautions {
		x.add(cautions, i, "", c.Cautions[i].Matches)
	}
	x.add(operations, 0, "", c.Services.Operation)
	x.add(notOperations, 0, "", c.Services.NotOperation)
	x.add(implants, 0, "", c.Services.Implant)
	x.add(mydriatics, 0, "", c.Reading.Mydriatics)
	for _, h := range c.Reading.Harmless {
		x.endsAt[x.sets[h.Codes]] = allLists
	}
	for _, id := range c.Reading.Absent.Codes {
		x.absentSet[x.sets[id]] = true
	}
	for _, w := range c.Reading.Absent.Words {
		if p := foldPhrase(w); len(p) > 0 {
			x.absentText[p[0]] = append(x.absentText[p[0]], p)
		}
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

// surer orders what was found: by list and group; in one group by how sure it is, then by the catalogue's order, then by what
// is written, so that the order of codings and concepts makes no difference.
func surer(a, b found) int {
	return cmp.Or(
		cmp.Compare(a.use.list, b.use.list), cmp.Compare(a.use.group, b.use.group),
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

// meaning is what the catalogue makes of one concept by itself, whatever entry it stands in. It is shared and never changed.
type meaning struct {
	of Concept
	// known are the lists that know one of its codes, for which its texts are not looked at.
	known lists
	// found are the uses that it answers to, their conditions aside.
	found []found
	// holds are the conditions that its codes and texts meet.
	holds []condition
	// absent reports that as the value of an observation it says no; past that its text speaks of past use.
	absent, past bool
	// operation and noOperation say what it is as a booking; the sure ones by a code.
	operation, noOperation, sureOperation, sureNoOperation bool
	// drug is the place in MedicationSystems of what it says as a drug; named reports a named code of a drug code system.
	drug  int
	named bool
	// name is what a person calls it, or a bare code, which is not readable; "" for neither.
	name     string
	readable bool
}

// meaningOf is what the catalogue makes of a concept, remembered from the last time or found out.
func (x *index) meaningOf(c *Concept) *meaning {
	slot := x.memo.slot(c)
	if m := slot.Load(); m != nil && m.of.Text == c.Text && slices.Equal(m.of.Codes, c.Codes) {
		return m
	}
	keep := worthKeeping(c)
	if keep {
		c = clone(c)
	}
	m := x.findOut(c)
	if keep {
		slot.Store(m)
	}
	return m
}

func (x *index) findOut(c *Concept) *meaning {
	m := &meaning{of: *c}
	for _, k := range c.Codes {
		name := cmp.Or(strings.TrimSpace(k.Display), strings.TrimSpace(c.Text))
		x.setsOf(k, func(s int32, how How) {
			m.known |= x.endsAt[s]
			m.holds = append(m.holds, condition(s))
			m.absent = m.absent || x.absentSet[s]
			for _, u := range x.bySet[s] {
				m.found = append(m.found, found{u, how, cmp.Or(name, k.Code), name != ""})
			}
		})
	}
	for _, k := range c.Codes {
		if k.Display != c.Text { // which is read next
			x.text(m, k.Display, words(k.Display))
		}
	}
	ws := words(c.Text)
	x.text(m, c.Text, ws)
	m.past = saysPast(ws)
	x.asBooking(m)
	x.asDrug(m)
	return m
}

// text adds what one text of a concept says.
func (x *index) text(m *meaning, text string, ws []word) {
	for i := range ws {
		for _, c := range x.conditionsByWord[ws[i].text] {
			if startsWith(ws[i:], c.words) {
				m.holds = append(m.holds, c.number)
			}
		}
		exact := m.known
		for _, p := range x.byWord[ws[i].text] {
			if !m.known.has(p.use.list) && startsWith(ws[i:], p.words) {
				exact |= p.use.list.alone()
				m.textHit(p.use, p.how, text, ws, i, i+len(p.words))
			}
		}
		if rest := allLists &^ (exact | x.names[ws[i].text]); rest != 0 && len(ws[i].text) >= minNearLetters-1 {
			x.nearText(m, rest, text, ws, i)
		}
	}
	if len(ws) > 0 {
		for _, p := range x.absentText[ws[0].text] {
			m.absent = m.absent || len(ws) == len(p) && startsWith(ws, p)
		}
	}
}

// nearText looks for a name, of the lists, that is one letter off.
func (x *index) nearText(m *meaning, of lists, text string, ws []word, i int) {
	for _, name := range x.oneOff(ws[i].text) {
		for _, p := range x.byWord[name] {
			if of.has(p.use.list) && len(p.words) == 1 && p.how == ByText && p.use.match.Spelling {
				m.textHit(p.use, BySpelling, text, ws, i, i+1)
			}
		}
	}
}

// oneOff lists the names that are one letter off a word.
func (x *index) oneOff(word string) (out []string) {
	for d := range deletions(word) {
		for _, name := range x.near[string(d)] {
			if !slices.Contains(out, name) && oneEdit(name, word) {
				out = append(out, name)
			}
		}
	}
	return out
}

func (m *meaning) textHit(u *use, how How, text string, ws []word, i, j int) {
	if !denied(ws, i, j) {
		m.found = append(m.found, found{u, how, excerpt(text, ws, i, j), true})
	}
}

// asBooking says what the concept is as a booking, or as the name of a procedure: a code counts before a text, and a text that
// speaks of an operation and of a visit is of the visit.
func (x *index) asBooking(m *meaning) {
	r := reading{index: x, entry: &Entry{}, holds: m.holds, gathered: true}
	for _, f := range m.found {
		byCode := f.how == ByCode || f.how == ByClass
		switch {
		case !r.allows(f.use):
		case f.use.list == operations:
			m.operation, m.sureOperation = true, m.sureOperation || byCode
		case f.use.list == notOperations:
			m.noOperation, m.sureNoOperation = true, m.sureNoOperation || byCode
		}
	}
}

// asDrug says how the concept names a drug.
func (x *index) asDrug(m *meaning) {
	m.drug = len(MedicationSystems) - 1
	note := func(system string) { m.drug = min(m.drug, slices.Index(MedicationSystems, system)) }
	hasText := strings.TrimSpace(m.of.Text) != ""
	if hasText {
		note(textSystem)
		m.name, m.readable = clip(m.of.Text, nameMax), true
	}
	for _, k := range m.of.Codes {
		hasDisplay := strings.TrimSpace(k.Display) != ""
		switch {
		case m.readable:
		case hasDisplay:
			m.name, m.readable = clip(k.Display, nameMax), true
		case m.name == "" && k.Code != "":
			m.name = clip("code "+k.Code, nameMax)
		}
		key, ok := x.key(k)
		switch {
		case ok && x.known[key.system] != nil && x.known[key.system].Drugs != "":
			m.named = m.named || hasDisplay || hasText
			note(x.known[key.system].Drugs)
		case k.Code != "" && k.System != "":
			note(otherSystem)
		case hasDisplay:
			note(textSystem)
		case k.Code != "":
			note(otherSystem)
		}
	}
}

// reading is one entry while it is matched.
type reading struct {
	*index
	entry *Entry
	// means are the meanings of the entry's concepts.
	means []*meaning
	// recognised reports that a code of the entry is known to the factors.
	recognised bool
	found      []found

	// holds are the conditions that the entry meets, gathered when first asked for.
	gathered bool
	holds    []condition
}

func (r *reading) gather() {
	if r.gathered {
		return
	}
	r.gathered = true
	for _, list := range [...][]Concept{r.entry.Concepts, r.entry.Qualifiers} {
		for i := range list {
			r.holds = append(r.holds, r.meaningOf(&list[i]).holds...)
		}
	}
	if r.entry.Note != "" {
		r.holds = append(r.holds, r.meaningOf(&Concept{Text: r.entry.Note}).holds...)
	}
}

func (r *reading) meets(list []condition) bool {
	if len(list) == 0 {
		return false
	}
	r.gather()
	return slices.ContainsFunc(list, func(c condition) bool { return slices.Contains(r.holds, c) })
}

// allows reports whether the conditions of a use hold.
func (r *reading) allows(u *use) bool {
	if k := u.match.Kinds; len(k) > 0 && !slices.Contains(k, r.entry.Kind) {
		return false
	}
	if len(u.need) > 0 && !r.meets(u.need) {
		return false
	}
	return !r.meets(u.unless) || r.meets(u.despite)
}

// take adds what a concept of the entry is recognised as in the lists.
func (r *reading) take(m *meaning, in lists) {
	for _, f := range m.found {
		if in.has(f.use.list) && r.allows(f.use) {
			r.found = append(r.found, f)
		}
	}
}

// absent reports an observation whose value says no.
func (r *reading) absent() bool {
	if r.entry.Kind != Observation || r.entry.Amount != nil {
		return false
	}
	for i := range r.entry.Qualifiers {
		if r.meaningOf(&r.entry.Qualifiers[i]).absent {
			return true
		}
	}
	return false
}

// read lists what the entry is recognised as in the lists, the surest of each group, in the order of the lists and groups. It
// uses the memory of the entry read before.
func (r *reading) read(x *index, e *Entry, in lists) {
	r.index, r.entry, r.recognised, r.gathered = x, e, false, false
	r.means, r.found, r.holds = r.means[:0], r.found[:0], r.holds[:0]
	for i := range e.Concepts {
		r.means = append(r.means, x.meaningOf(&e.Concepts[i]))
	}
	if r.absent() {
		return
	}
	for _, m := range r.means {
		r.recognised = r.recognised || m.known.has(factors)
		r.take(m, in)
	}
	if e.Kind == Observation && e.Amount == nil {
		// What was observed may stand in the value: iris finding, value posterior synechiae.
		for i := range e.Qualifiers {
			r.take(x.meaningOf(&e.Qualifiers[i]), in)
		}
	}
	r.surest()
}

// surest keeps the surest of each group.
func (r *reading) surest() {
	if len(r.found) < 2 {
		return
	}
	slices.SortFunc(r.found, surer)
	r.found = slices.CompactFunc(r.found, func(a, b found) bool { return a.use.list == b.use.list && a.use.group == b.use.group })
}

// in is the part of what was found that is of one list.
func (r *reading) in(one list) []found {
	i := slices.IndexFunc(r.found, func(f found) bool { return f.use.list == one })
	if i < 0 {
		return nil
	}
	j := i + 1
	for j < len(r.found) && r.found[j].use.list == one {
		j++
	}
	return r.found[i:j]
}

func (x *index) match(e *Entry, one list) []found {
	var r reading
	r.read(x, e, one.alone())
	return r.found
}

func (c *Catalogue) hits(list []found) []Hit {
	var out []Hit
	for _, f := range list {
		out = append(out, Hit{Factor: c.Factors[f.use.group], Matched: f.matched, How: f.how, Code: f.use.code})
	}
	return out
}

// Match lists the factors that e is evidence for, by its codes, classes and texts, whatever its standing, date and value.
// Each factor is listed once, by its surest match; the order is that of c.Factors. Planned factors are not among them.
//
// A code that the catalogue knows ends the search in its concept: the text beside it is then not looked at. A text is
// matched as whole words, and not where its own clause denies it or speaks of a relative.
func (c *Catalogue) Match(e *Entry) []Hit { return c.hits(c.index.match(e, factors)) }

// Planned lists the planned factors that a booking names.
func (c *Catalogue) Planned(booking []Concept) []Hit {
	return c.hits(c.index.match(&Entry{Kind: Procedure, Concepts: booking}, planned))
}

// Asks lists the questions that e is a reason for.
func (c *Catalogue) Asks(e *Entry) []*Question {
	var out []*Question
	for _, f := range c.index.match(e, questions) {
		out = append(out, &c.Questions[f.use.group])
	}
	return out
}

// Cautioned lists the cautions that e is a reason for.
func (c *Catalogue) Cautioned(e *Entry) []*Caution {
	var out []*Caution
	for _, f := range c.index.match(e, cautions) {
		out = append(out, &c.Cautions[f.use.group])
	}
	return out
}

// Unrecognised reports a drug that nothing recognises and nobody could read: no code or name of it is known to the
// catalogue, and it has no named code of a drug code system. A drug that is simply no factor, and is named in such a
// system, is recognised. system is one of MedicationSystems.
func (c *Catalogue) Unrecognised(e *Entry) (system string, yes bool) {
	var r reading
	r.read(&c.index, e, entryLists)
	return r.unrecognised()
}

func (r *reading) unrecognised() (system string, yes bool) {
	if r.entry.Kind != Medication || r.recognised || len(r.in(factors))+len(r.in(questions))+len(r.in(cautions)) > 0 {
		return "", false
	}
	best := len(MedicationSystems) - 1
	for _, m := range r.means {
		if m.named {
			return "", false
		}
		best = min(best, m.drug)
	}
	return MedicationSystems[best], true
}

// Service says whether a booking, by what it names as service, type, specialty, reason and description, is a lens
// operation. A code counts before a text; a text that speaks of an operation and of a visit is of the visit; two that
// contradict each other are unclear.
func (c *Catalogue) Service(booking []Concept) Recognition {
	var r reading
	r.read(&c.index, &Entry{Concepts: booking}, 0)
	return r.service()
}

func (r *reading) service() Recognition {
	var opCode, notCode, opText, notText bool
	for _, m := range r.means {
		opCode = opCode || m.sureOperation
		notCode = notCode || m.sureNoOperation
		if !m.sureOperation && !m.sureNoOperation {
			notText = notText || m.noOperation
			opText = opText || (m.operation && !m.noOperation)
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

// name is what the entry is called, and whether a person can read it as a name.
func (r *reading) name() (name string, readable bool) {
	for _, m := range r.means {
		if m.readable {
			return m.name, true
		}
		name = cmp.Or(name, m.name)
	}
	return cmp.Or(name, "no name recorded"), false
}

// past reports that a name of the entry speaks of past use.
func (r *reading) past() bool {
	return slices.ContainsFunc(r.means, func(m *meaning) bool { return m.past })
}

// LensDone reports that e records a finished lens operation, or says that an eye's lens has been operated on.
func (c *Catalogue) LensDone(e *Entry) bool {
	var r reading
	r.read(&c.index, e, implants.alone())
	return r.lensDone()
}

func (r *reading) lensDone() bool {
	return len(r.in(implants)) > 0 || r.entry.Kind == Procedure && r.service() == IsOperation
}

// Dilated reports whether the entry says that the pupil was dilated when f measured it: by a code, or by a word in its
// names, qualifiers or note that no word for an undilated pupil contradicts.
func (c *Catalogue) Dilated(f *Factor, e *Entry) bool {
	d := c.index.dilation[c.index.factors[f.ID]]
	r := reading{index: &c.index, entry: e}
	return !r.meets(d.undilated) && (r.meets(d.codes) || r.meets(d.words) || c.Mydriatic(e))
}

// Mydriatic reports whether the entry names a drug that widens the pupil.
func (c *Catalogue) Mydriatic(e *Entry) bool {
	r := reading{index: &c.index, entry: e}
	for _, list := range [...][]Concept{e.Concepts, e.Qualifiers, {{Text: e.Note}}} {
		for i := range list {
			r.take(r.meaningOf(&list[i]), mydriatics.alone())
		}
	}
	return len(r.found) > 0
}

// SystemURI is the canonical URI of a code system, whichever of its spellings is given; an unknown one is returned as it
// is.
func (c *Catalogue) SystemURI(uri string) string {
	if n, ok := c.index.systems[systemKey(uri)]; ok && c.index.known[n] != nil {
		return c.index.known[n].URI
	}
	return uri
}
