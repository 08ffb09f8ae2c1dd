package rules

// Catalogue is the clinical content, ready for use: what NewCatalogue made of the factor files, code sets and wording.
// It is read-only and safe for use by many goroutines.
type Catalogue struct {
	// Version is the version of the built-in catalogue, with a suffix that names the content of an overlay.
	Version string
	// Factors in a stable order: hazard, then level from high to low, then id.
	Factors []*Factor
	// CodeSets by id.
	CodeSets map[string]*CodeSet
	Wording  Wording
	// Preparations in the order in which they are printed.
	Preparations []PreparationRule
	// Questions are the reasons to ask for a drug that is not on record.
	Questions []Question
	Services  Services

	index index
}

// CodeSet is a set of codes: single codes, and whole branches of a hierarchical code system less their strangers.
type CodeSet struct {
	ID, Title string
	Codes     []Code
	// Branches hold codes whose every descendant belongs to the set (an ATC class, an ICD-10 category).
	Branches []Code
	// Except holds codes, with their descendants, that the branches would hold but the set does not.
	Except []Code
}

// Factor is one thing that puts an eye at risk.
type Factor struct {
	ID     string `yaml:"factor"` // plain words with hyphens, such as posterior-synechiae
	Name   string `yaml:"name"`   // as a surgeon reads it
	Hazard Hazard `yaml:"hazard"`
	Level  Level  `yaml:"level"`
	// Why gives the reason for the level in a sentence.
	Why   string `yaml:"why"`
	Grade string `yaml:"grade"` // A pooled or large controlled, B controlled, C regulator or series, D reports or mechanism
	// Figures are published figures as printed, each with what it was compared to. They are never combined.
	Figures []Figure `yaml:"figures"`
	Sources []Source `yaml:"sources"`
	// Persists reports that it still counts after it has ended.
	Persists     bool   `yaml:"persists"`
	PersistsWhy  string `yaml:"persists_why"`
	Jurisdiction string `yaml:"jurisdiction"`
	// Eyes says which eye is at risk: both (a drug, whatever side), or recorded (the eye of the record, both where the
	// record names none).
	Eyes string `yaml:"eyes"`
	// Fellow is the level for the other eye of a one-sided record; NoLevel (the default) for none.
	Fellow Level `yaml:"fellow"`
	// ContextOnly factors are shown beside findings and are never one.
	ContextOnly bool `yaml:"context_only"`
	// EndsWithOperation: over for an eye whose lens has been operated on since (a drug's effect is not).
	Matches []FactorMatch `yaml:"match"`
	// Measure makes the factor a measurement: its level comes from the value's band.
	Measure *Measure `yaml:"measure"`
	// Raise lifts the level when a measurement of the same eye stands beside it.
	Raise []Raise `yaml:"raise"`
	// File and Line say where the factor is written.
	File string `yaml:"-"`
	Line int    `yaml:"-"`
}

// FactorMatch says which entries are evidence: those of the named kinds whose codes are in the code sets, or whose text
// holds one of the words, unless a word of Unless stands in the entry's own texts or qualifiers.
type FactorMatch struct {
	Kinds []Kind   `yaml:"kinds"`
	Codes []string `yaml:"codes"` // ids of code sets
	// Words are names or phrases; each is matched as whole words, without case or accents.
	Words []string `yaml:"words"`
	// Spelling allows one edit in words of eight letters or more.
	Spelling bool     `yaml:"spelling"`
	Brands   []Brand  `yaml:"brands"`
	Unless   []string `yaml:"unless"`
	// Needs, if set, must all stand in the entry too: a code set id among the codes of the entry or its qualifiers, or a
	// phrase in its texts (any one of the list).
	Needs []string `yaml:"needs"`
}

// Brand is a trade name with the country in which it means this drug.
type Brand struct {
	Name    string `yaml:"name"`
	Country string `yaml:"country"`
}

// Figure is a published figure as printed.
type Figure struct {
	Text       string `yaml:"text"`
	Comparator string `yaml:"comparator"` // what it was compared to
	Source     string `yaml:"source"`
}

// Source is where a factor's evidence comes from.
type Source struct {
	Text string `yaml:"text"` // authors, journal, year; or regulator and date; or "common practice, no source"
	// Checked is "abstract", "page", or "from memory".
	Checked string `yaml:"checked"`
}

// Measure makes a factor of a measured length. Values outside [Min, Max] mm are refused.
type Measure struct {
	Name string  `yaml:"name"` // pupil, chamber, axial length: how the value is called in text
	Min  float64 `yaml:"min"`  // mm
	Max  float64 `yaml:"max"`  // mm
	// Dilated demands that the value is known to be of a dilated pupil; DilatedCodes and DilatedWords tell it.
	Dilated        bool     `yaml:"dilated"`
	DilatedCodes   []string `yaml:"dilated_codes"`
	DilatedWords   []string `yaml:"dilated_words"`
	UndilatedWords []string `yaml:"undilated_words"`
	// Bands in rising order; a value belongs to the first band it does not exceed.
	Bands []Band `yaml:"bands"`
}

// Band is a range of a measurement, up to and including UpTo mm (Below: up to but excluding).
type Band struct {
	ID    string   `yaml:"id"` // identifies the evidence: the same band is the same evidence
	UpTo  *float64 `yaml:"up_to"`
	Below *float64 `yaml:"below"`
	Level Level    `yaml:"level"`
	// Beside makes it a finding only beside another factor of that eye; alone it is context.
	Beside bool `yaml:"beside"`
}

// Raise lifts a factor's level when the measurement of another factor, of an eye at risk, is below a limit.
type Raise struct {
	To     Level   `yaml:"to"`
	Factor string  `yaml:"factor"` // id of the measuring factor
	Below  float64 `yaml:"below"`  // mm
}

// PreparationRule says when one action is asked for, of whom, and by when.
type PreparationRule struct {
	Code string `yaml:"code"` // prepare-pupil-expansion …
	Name string `yaml:"name"` // the title of the task
	Text string `yaml:"text"` // what to do; {reason} and {eye} are filled in
	Who  string `yaml:"who"`  // who does it, in the trade's words
	// Days before the operation; with Working, only Monday to Friday count. 0 = at once.
	Days    int  `yaml:"days"`
	Working bool `yaml:"working"`
	// For lists what calls for it: a hazard with the least level, or a gap kind.
	Hazards  []Hazard  `yaml:"hazards"`
	MinLevel Level     `yaml:"min_level"`
	Gaps     []GapKind `yaml:"gaps"`
}

// Question is a reason to ask for a drug: one of the named records stands and no factor of the named ones does.
type Question struct {
	ID      string        `yaml:"question"`
	Text    string        `yaml:"text"` // {reason} is filled in
	Unless  []string      `yaml:"unless_factors"`
	Matches []FactorMatch `yaml:"match"`
}

// Services tells booked operations from other appointments.
type Services struct {
	// Operation recognises a lens operation; NotOperation recognises what is none (a clinic visit, a laser).
	// A text that both recognise is none unless a code says it is.
	Operation    []FactorMatch `yaml:"operation"`
	NotOperation []FactorMatch `yaml:"not_operation"`
}

// Wording holds the words a surgeon reads.
type Wording struct {
	Levels   map[string]string `yaml:"levels"`   // high: EXPECT …
	Hazards  map[string]string `yaml:"hazards"`  // floppy-iris: floppy iris …
	Eyes     map[string]string `yaml:"eyes"`     // right: RIGHT eye … unknown: EYE NOT STATED, treat as both
	Outcomes map[string]string `yaml:"outcomes"` // none-found, not-assessed
	// Cautions stand at the foot of every list and in every task where they belong.
	Cautions map[string]string `yaml:"cautions"`
	Gaps     map[string]string `yaml:"gaps"` // by gap kind; {name} is filled in
}
