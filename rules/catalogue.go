package rules

// Catalogue is the clinical content, ready for use: what NewCatalogue made of the factor files, code sets and wording.
// It is read-only and safe for use by many goroutines.
//
// The data files stand in rules/catalogue; fhirmap.LoadCatalogue reads them, and the overlay of a site over them.
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
	// Cautions are what one record asks to be careful with, beside any finding.
	Cautions []Caution
	Services Services
	// Systems are the code systems known by name, each with its other spellings.
	Systems []System
	Reading Reading

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
	// ExceptCodes are such codes alone; their descendants stay in the set.
	ExceptCodes []Code
	// Checked says of single codes how they were looked up, in the words of Source.Checked; a code it does not name was seen
	// where the description of the set says.
	Checked map[Code]string
	// File says where the set is written; Text is what stands there, until the catalogue is checked.
	File string
	Text []byte
}

// Factor is one thing that puts an eye at risk.
type Factor struct {
	// Off, in an overlay, switches the factor of that id off; nothing else is then needed.
	Off bool `yaml:"off"`

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
	// Settled is the level where all there is is one record, and that one is over; NoLevel (the default) makes no difference.
	Settled Level `yaml:"settled"`
	// Regular factors count only where the drug was taken regularly: what was given on one day alone is context, and a question.
	Regular bool `yaml:"regular"`
	// Planned factors concern the operation that is booked and are found in the booking only (Catalogue.Planned), never in
	// the history: the other eye's laser says nothing about this one.
	Planned bool `yaml:"planned"`
	// ContextOnly factors are shown beside findings and are never one.
	ContextOnly bool `yaml:"context_only"`
	// Matches say by what it is recognised; one that fits is enough.
	Matches []FactorMatch `yaml:"match"`
	// Measure makes the factor a measurement: its level comes from the value's band.
	Measure *Measure `yaml:"measure"`
	// Raise lifts the level when a measurement of the same eye stands beside it.
	Raise []Raise `yaml:"raise"`
	// Cases are worked examples, beside the factor they belong to; Catalogue.CheckCases works them.
	Cases []Case `yaml:"cases"`
	// File and Line say where the factor is written.
	File string `yaml:"-"`
	Line int    `yaml:"-"`

	at position
}

// FactorMatch says which entries are evidence: those of the named kinds whose codes are in the code sets, or whose text
// holds one of the words or brands, unless a condition of Unless stands in the entry.
//
// A condition (of Unless, Despite and Needs) is the id of a code set, which holds where the entry or its qualifiers carry
// one of its codes, or else a phrase, which holds where it stands as whole words in the entry's texts, displays,
// qualifiers or note.
type FactorMatch struct {
	// Substance is the drug or finding meant, for the evidence code; it may be left out where the factor has only one.
	Substance string `yaml:"substance"`
	// Kinds of record that may be evidence. Services name none: they are matched against bookings.
	Kinds []Kind   `yaml:"kinds"`
	Codes []string `yaml:"codes"` // ids of code sets
	// Words are names or phrases; each is matched as whole words, without case or accents.
	Words []string `yaml:"words"`
	// Spelling allows one edit in a name of eight letters or more.
	Spelling bool     `yaml:"spelling"`
	Brands   []Brand  `yaml:"brands"`
	Unless   []string `yaml:"unless"`
	// Despite keeps the match where one of its conditions holds, although one of Unless holds too.
	Despite []string `yaml:"despite"`
	// Needs, if set, lists conditions of which at least one must hold.
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
	// Hazards, from MinLevel up, and Gaps are what calls for it.
	Hazards  []Hazard  `yaml:"hazards"`
	MinLevel Level     `yaml:"min_level"`
	Gaps     []GapKind `yaml:"gaps"`
	// OnlyWithGaps, if set, lets a hazard call for it only while a gap of one of these kinds is open.
	OnlyWithGaps []GapKind `yaml:"only_with_gaps"`
	// Advice is added to the text where its conditions hold.
	Advice []Advice `yaml:"advice"`

	at position
}

// Advice is a sentence for one action that holds under conditions. All that are set must hold, each of the operated eye; a
// measurement that is not known does not hold.
type Advice struct {
	Text string `yaml:"text"`
	// Factors of which at least one stands as a finding.
	Factors []string `yaml:"factors"`
	// PupilUpTo (included), PupilAbove and ChamberBelow (excluded) are limits, in mm, of the dilated pupil and the chamber depth.
	PupilUpTo    *float64 `yaml:"pupil_up_to"`
	PupilAbove   *float64 `yaml:"pupil_above"`
	ChamberBelow *float64 `yaml:"chamber_below"`
	// ChamberFrom is a least chamber depth in mm; unlike the others it holds where the chamber was not measured.
	ChamberFrom *float64 `yaml:"chamber_from"`
	Source      string   `yaml:"source"`
}

// Caution is what one record asks to be careful with. It raises nothing; its text goes to the actions it belongs to.
type Caution struct {
	ID   string `yaml:"caution"`
	Text string `yaml:"text"`
	// Preparations are the codes of the actions that carry the text.
	Preparations []string `yaml:"preparations"`
	// Factors that call for it by standing as findings or context.
	Factors []string      `yaml:"factors"`
	Matches []FactorMatch `yaml:"match"`
	Source  string        `yaml:"source"`
	Cases   []Case        `yaml:"cases"` // found: the record calls for it

	at position
}

// Question is a reason to ask for a drug: one of the named records stands and no factor of the named ones does.
type Question struct {
	ID      string        `yaml:"question"`
	Text    string        `yaml:"text"` // {reason} is filled in
	Unless  []string      `yaml:"unless_factors"`
	Matches []FactorMatch `yaml:"match"`
	Cases   []Case        `yaml:"cases"` // found: the record is a reason to ask

	at position
}

// Services tells booked operations from other appointments, and knows the record of a lens operation that has been done.
type Services struct {
	// Operation recognises a lens operation; NotOperation recognises what is none (a clinic visit, a laser).
	// A text that both recognise is none unless a code says it is.
	Operation    []FactorMatch `yaml:"operation"`
	NotOperation []FactorMatch `yaml:"not_operation"`
	// Implant recognises records, other than of the operation itself, which say that an eye's lens has been operated on.
	Implant []FactorMatch `yaml:"implant"`
	// Cases are bookings; found: it is a lens operation.
	Cases []Case `yaml:"cases"`

	at position
}

// System is a code system.
type System struct {
	URI  string `yaml:"system"` // canonical, as HL7 or the publisher gives it
	Name string `yaml:"name"`
	// Drugs is the short name by which drugs of this system are counted, one of MedicationSystems; "" if it holds none.
	Drugs string `yaml:"drugs"`
	// Branches reports that the codes below a code begin with it, so that a branch can be told from the code alone.
	Branches bool `yaml:"branches"`
	// Form is what every code of it looks like, as a regular expression for the whole code; CheckDigit is how its last digit
	// follows from the others: verhoeff, luhn, or "" for not at all. They find slips of the hand in code sets.
	Form       string `yaml:"form"`
	CheckDigit string `yaml:"check_digit"`
	// Aliases are other spellings of the URI.
	Aliases []string `yaml:"aliases"`

	at position
}

// Reading holds what matching must know beside the factors.
type Reading struct {
	// Harmless are code sets of what is known to be no factor although its name says otherwise.
	Harmless []Harmless `yaml:"harmless"`
	// Absent says when the value of an observation denies what it is named for.
	Absent Absent `yaml:"absent"`
	// Mydriatics are names of drugs that widen the pupil for an examination.
	Mydriatics []FactorMatch `yaml:"mydriatics"`
	// Cases are records that are evidence for no factor, context apart, however its words grow.
	Cases []Case `yaml:"cases"`

	at position
}

// Harmless is a code set whose codes end the search: the text beside them is not looked at.
type Harmless struct {
	Codes string `yaml:"codes"` // id of a code set
	Why   string `yaml:"why"`
}

// Absent holds the answers that mean no: code sets, and texts that are the whole value.
type Absent struct {
	Codes []string `yaml:"codes"`
	Words []string `yaml:"words"`
}

// LocalCode puts one code of a site's own system into a code set.
type LocalCode struct {
	System  string `yaml:"system"`
	Code    string `yaml:"code"`
	Display string `yaml:"display"`
	CodeSet string `yaml:"code_set"` // id of the code set it joins

	at position
}

// Case is one worked example: a record, whether it is recognised, and what it alone gives.
type Case struct {
	Kind Kind   `yaml:"kind"`
	Text string `yaml:"text"`
	// Code is a system (its URI or name) and a code, divided by a bar.
	Code string `yaml:"code"`
	// Qualifier is the text of a route, form or value; Note is free text beside it.
	Qualifier string `yaml:"qualifier"`
	Note      string `yaml:"note"`
	// Eye is the side of the record, right or left, Size its value in mm; Over says that it has ended.
	Eye   Eye     `yaml:"eye"`
	Size  float64 `yaml:"size"`
	Over  bool    `yaml:"over"`
	Found bool    `yaml:"found"`
	How   How     `yaml:"how"` // if set, how it must have been found
	// Gives, if set, is the finding of the factor when both eyes are to be operated on: hazard, level and eye, such as
	// "floppy-iris high both"; where the eyes differ, the right one first, joined by " and "; "nothing" for no finding.
	Gives string `yaml:"gives"`

	line int
}

// Wording holds the words a surgeon reads.
type Wording struct {
	Levels   map[string]string `yaml:"levels"`   // high: EXPECT …
	Hazards  map[string]string `yaml:"hazards"`  // floppy-iris: floppy iris …
	Eyes     map[string]string `yaml:"eyes"`     // right: RIGHT … unknown: EYE NOT STATED, treat as both
	Outcomes map[string]string `yaml:"outcomes"` // none-found, not-assessed
	// Cautions stand at the foot of every list and in every task where they belong.
	Cautions map[string]string `yaml:"cautions"`
	Gaps     map[string]string `yaml:"gaps"` // by gap kind; {name} is filled in

	at position
}

// GapKinds lists every GapKind.
var GapKinds = []GapKind{
	GapTypeRefused, GapTypeCut, GapTypeNotOffered, GapEntryDropped, GapNoMedications, GapAskMedication, GapUnknownDrug, GapDrugByName,
	GapConfirmSpelling, GapEyeUnknown, GapEyeCheck, GapPupilNotMeasured, GapPupilUnusable, GapAskFinding, GapRecordUnread,
}

// Kinds lists every Kind.
var Kinds = []Kind{Medication, Procedure, Condition, Observation, Intolerance, Device}
