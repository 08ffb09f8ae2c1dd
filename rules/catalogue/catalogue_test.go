package catalogue_test

import (
	"encoding/csv"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
)

func builtIn(t testing.TB) *rules.Catalogue {
	t.Helper()
	c, err := fhirmap.LoadCatalogue(catalogue.FS)
	require.NoError(t, err)
	return c
}

func TestBuiltIn(t *testing.T) {
	c := builtIn(t)
	require.Regexp(t, `^\d{4}\.\d+\.\d+$`, c.Version)
	require.NoError(t, c.CheckCases())
}

// conceptFactors says which factor the concept of a code list names; none for those that name no factor. Source of the
// concepts: the project's list of about 1,000 codes, each with where it was verified.
var conceptFactors = map[string][]string{
	"tamsulosin": {"tamsulosin"}, "silodosin": {"silodosin"}, "alfuzosin": {"alfuzosin"}, "terazosin": {"terazosin"},
	"doxazosin": {"doxazosin"}, "prazosin": {"prazosin"},
	"fixed-combination-tamsulosin-dutasteride": {"tamsulosin", "five-alpha-reductase-inhibitor"},
	"fixed-combination-tamsulosin-solifenacin": {"tamsulosin"},
	"fixed-combination-tamsulosin-tadalafil":   {"tamsulosin"},
	"fixed-combination-alfuzosin-finasteride":  {"alfuzosin", "five-alpha-reductase-inhibitor"},
	"fixed-combination-doxazosin-finasteride":  {"doxazosin", "five-alpha-reductase-inhibitor"},
	"urapidil":                       {"other-alpha-1-antagonist"},
	"indoramin":                      {"other-alpha-1-antagonist"},
	"trimazosin":                     {"other-alpha-1-antagonist"},
	"moxisylyte":                     {"other-alpha-1-antagonist"},
	"phenoxybenzamine":               {"other-alpha-1-antagonist"},
	"phentolamine":                   {"other-alpha-1-antagonist"},
	"dapiprazole":                    {"other-alpha-1-antagonist"},
	"ketanserin":                     {"other-alpha-1-antagonist"},
	"nicergoline":                    {"other-alpha-1-antagonist"},
	"naftopidil":                     {"other-alpha-1-antagonist"},
	"bunazosin":                      {"other-alpha-1-antagonist"},
	"class-alpha1-urology":           {"other-alpha-1-antagonist"},
	"class-alpha1-cardio":            {"other-alpha-1-antagonist"},
	"alpha-blocker-adverse-effect":   {"other-alpha-1-antagonist"},
	"labetalol":                      {"alpha-and-beta-blocker"},
	"carvedilol":                     {"alpha-and-beta-blocker"},
	"losartan":                       {"angiotensin-blocker"},
	"risperidone":                    {"risperidone"},
	"paliperidone":                   {"paliperidone"},
	"quetiapine":                     {"quetiapine"},
	"chlorpromazine":                 {"chlorpromazine"},
	"clozapine":                      {"other-antipsychotic"},
	"zuclopenthixol":                 {"other-antipsychotic"},
	"aripiprazole":                   {"other-antipsychotic"},
	"antipsychotic-other":            {"other-antipsychotic"},
	"class-antipsychotics":           {"other-antipsychotic"},
	"finasteride":                    {"five-alpha-reductase-inhibitor"},
	"dutasteride":                    {"five-alpha-reductase-inhibitor"},
	"class-5ari":                     {"five-alpha-reductase-inhibitor"},
	"saw-palmetto":                   {"saw-palmetto"},
	"imipramine":                     {"antidepressant"},
	"mianserin":                      {"antidepressant"},
	"duloxetine":                     {"antidepressant"},
	"trazodone":                      {"antidepressant"},
	"donepezil":                      {"dementia-drug"},
	"rivastigmine":                   {"dementia-drug"},
	"benzodiazepine":                 {"benzodiazepine"},
	"class-benzodiazepines":          {"benzodiazepine"},
	"class-benzodiazepines-hypnotic": {"benzodiazepine"},
	"opioid":                         {"opioid"},
	"class-opioids":                  {"opioid"},
	"opioid-long-term":               {"opioid"},
	"pilocarpine":                    {"chronic-miotic-drops"},
	"carbachol":                      {"chronic-miotic-drops"},
	"echothiophate":                  {"chronic-miotic-drops"},
	"demecarium":                     {"chronic-miotic-drops"},
	"physostigmine-eye":              {"chronic-miotic-drops"},
	"fluostigmine-eye":               {"chronic-miotic-drops"},
	"aceclidine":                     {"chronic-miotic-drops"},
	"class-miotics":                  {"chronic-miotic-drops"},
	"diabetic-retinopathy":           {"diabetic-retinopathy"},
	"uveitis-acute":                  {"anterior-uveitis", "uveitis"}, // either: recurrent is not one attack
	"uveitis":                        {"uveitis", "anterior-uveitis"}, // either: see one
	"uveitis-chronic":                {"uveitis"},
	"uveitis-lens-induced":           {"uveitis"},
	"uveitis-fuchs":                  {"uveitis"},
	"uveitis-vkh":                    {"uveitis"},
	"uveitis-unspecified":            {"uveitis"},
	"uveitic-glaucoma":               {"uveitis"},
	"iris-rubeosis":                  {"rubeosis"},
	"iris-atrophy":                   {"iris-atrophy"},
	"iris-malformation":              {"iris-atrophy"},
	"iris-anomaly-glaucoma":          {"iris-atrophy"},
	"miotic-pupillary-cyst":          {"iris-atrophy"},
	"pupillary-membrane":             {"iris-adhesion"},
	"iris-adhesion-unspecified":      {"iris-adhesion"},
	"anterior-synechiae":             {"anterior-synechiae"},
	"goniosynechiae":                 {"anterior-synechiae"},
	"posterior-synechiae":            {"posterior-synechiae"},
	"iris-trauma":                    {"iris-trauma"},
	"eye-laceration-iris-prolapse":   {"iris-trauma"},
	"eye-contusion":                  {"eye-injury"},
	"traumatic-cataract":             {"eye-injury"},
	"trauma-glaucoma":                {"eye-injury"},
	"pupil-abnormality":              {"pupil-abnormality"},
	"pupil-function-anomaly":         {"pupil-abnormality"},
	"anisocoria":                     {"pupil-abnormality"},
	"argyll-robertson":               {"argyll-robertson-pupil"},
	"tonic-pupil":                    {"tonic-pupil"},
	"horner":                         {"horner-pupil"},
	"ifis-history":                   {"floppy-iris-recorded"},
	"miosis":                         {"small-pupil-recorded"},
	"pupil-expansion-used":           {"pupil-device-used"},
	"plateau-iris":                   {"narrow-angle"},
	"narrow-angle":                   {"narrow-angle"},
	"angle-closure":                  {"angle-closure"},
	"lens-subluxation":               {"lens-subluxation"},
	"pseudoexfoliation-glaucoma":     {"pseudoexfoliation"},
	"hypermetropia":                  {"hypermetropia"},
	"short-eye":                      {"microphthalmos"},
	"iris-coloboma":                  {"coloboma"},
	"aniridia":                       {"aniridia"},
	"filtering-surgery":              {"filtering-surgery"},
	"filtering-surgery-status":       {"filtering-surgery"},
	"drainage-device":                {"drainage-device"},
	"laser-iridotomy":                {"iridotomy"},
	"surgical-iridotomy":             {"iridotomy"},
	"iris-surgery":                   {"iris-surgery"},
	"vitrectomy":                     {"vitrectomy"},
	"angle-surgery":                  {"angle-surgery"},
	"laser-trabeculoplasty":          {"angle-surgery"},
	"axial-length":                   {"short-eye"},
	"dilated-pupil-diameter":         {"dilated-pupil"},
	// No factor: bookings, indications, sides, names too wide to mean one, and what the questions and services look at.
	"pilocarpine-oral": nil, "prep-phenylephrine": nil, "prep-atropine": nil, "prep-cyclopentolate": nil, "prep-tropicamide": nil,
	"prep-nsaid-eye": nil, "cataract-indication": nil, "intraop-complication-other": nil, "bph": nil, "nsaid-long-term": nil,
	"pseudophakia": nil, "cataract-extraction-status": nil, "glaucoma": nil, "cataract-surgery": nil, "lens-other": nil,
	"laterality": nil, "body-site": nil, "iris-finding": nil, "iris-disorder": nil, "pupil-diameter": nil, "pupil-response": nil,
	"pupil-shape": nil, "anterior-chamber-finding": nil, "anterior-chamber-depth": nil,
	"cataract-cpt": nil, "filtering-cpt": nil, "iridotomy-cpt": nil, "vitrectomy-cpt": nil,
}

// one lists concepts of which each code belongs to one of the factors, not to all.
var one = map[string]bool{"uveitis": true, "uveitis-acute": true}

// apart are single codes that are not used as their concept says, each with the reason.
var apart = map[string][]string{
	"http://snomed.info/sct|231744001":                        {"filtering-surgery"}, // both operations in one code
	"http://snomed.info/sct|446548003":                        {"filtering-surgery"},
	"http://hl7.org/fhir/sid/icd-10|H21.8":                    nil, // never infer a floppy iris from it: the list's own note
	"http://dicom.nema.org/resources/dicom-elements|0022000D": nil, // yes or no, and not a size
	"http://dicom.nema.org/resources/dicom-elements|0022001C": nil, // names the drops
	// From memory in the list, and no codes: their check digit is wrong. The true ones: tamsulosin 372509005, doxazosin 372508002.
	"http://snomed.info/sct|372509001": nil,
	"http://snomed.info/sct|372508009": nil,
}

// Every row of the code list finds the factor that its concept names, and no other.
func TestEveryListedCodeFindsItsFactor(t *testing.T) {
	c := builtIn(t)
	rows := codeRows(t)
	checked := 0
	for _, r := range rows {
		concept := r["concept"]
		want, ok := conceptFactors[concept]
		require.True(t, ok, "concept %s is new", concept)
		if r["code"] == "" || strings.HasPrefix(r["system"], "CPT") {
			continue
		}
		e := &rules.Entry{Kind: kindOf(r), Concepts: []rules.Concept{{Codes: []rules.Code{{System: r["system"], Code: r["code"]}}}}}
		if r["system"] == "text" {
			e.Concepts[0] = rules.Concept{Text: r["code"]}
		}
		key := r["system"] + "|" + r["code"]
		if w, ok := apart[key]; ok {
			want = w
		}
		// A combination is listed under each of its parts.
		got := factorIDs(c.Match(e))
		switch {
		case one[concept]:
			require.Len(t, got, 1, key)
			require.Contains(t, want, got[0], key)
		case len(want) == 0:
			require.Empty(t, got, "%s (%s)", key, concept)
		default:
			require.Subset(t, got, want, "%s (%s)", key, concept)
			require.LessOrEqual(t, len(got), 2, key)
		}
		checked++
	}
	require.Greater(t, checked, 950)
}

// kindOf is the kind of record that such a code stands in.
func kindOf(r map[string]string) rules.Kind {
	switch {
	case r["concept"] == "alpha-blocker-adverse-effect":
		return rules.Condition
	case r["concept"] == "opioid-long-term" || r["concept"] == "nsaid-long-term":
		return rules.Medication
	case r["level"] == "procedure":
		return rules.Procedure
	case r["level"] == "disorder":
		return rules.Condition
	case r["level"] == "observation" && r["concept"] != "miosis":
		return rules.Observation
	case r["concept"] == "miosis":
		return rules.Condition
	}
	return rules.Medication
}

func codeRows(t *testing.T) []map[string]string {
	t.Helper()
	data := os.Getenv("PUPILRISK_SHARED_DATA")
	if data == "" {
		data = filepath.Join("..", "..", "..", "shared", "data")
	}
	f, err := os.Open(filepath.Join(data, "..", "clinical", "codes.csv"))
	if err != nil {
		require.NotContains(t, os.Getenv("PUPILRISK_REQUIRE"), "shared", "the shared data is required, and the code list is not there")
		t.Skip("the shared code list is not there")
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	var out []map[string]string
	for _, line := range all[1:] {
		row := map[string]string{}
		for i, name := range all[0] {
			row[name] = line[i]
		}
		out = append(out, row)
	}
	return out
}

func factorIDs(hits []rules.Hit) []string {
	var out []string
	for _, h := range hits {
		out = append(out, h.Factor.ID)
	}
	return out
}

// The negative controls of the evidence, with and without the text beside the code.
func TestNegativeControls(t *testing.T) {
	c := builtIn(t)
	const atc, rx = "http://www.whocc.no/atc", "http://www.nlm.nih.gov/research/umls/rxnorm"
	cases := map[string]rules.Entry{
		"oral pilocarpine by RxNorm":                        medication("pilocarpine 5 mg", rules.Code{System: rx, Code: "1000913", Display: "pilocarpine hydrochloride 5 MG Oral Tablet"}),
		"oral pilocarpine by ATC":                           medication("Pilocarpin", rules.Code{System: atc, Code: "N07AX01", Display: "pilocarpine"}),
		"oral pilocarpine, drug code and oral class in one": medication("", rules.Code{System: rx, Code: "8328", Display: "pilocarpine"}, rules.Code{System: atc, Code: "N07AX01"}),
		"lithium by ATC":                                    medication("lithium", rules.Code{System: atc, Code: "N05AN01", Display: "lithium"}),
		"lithium by text":                                   medication("Lithium carbonate 400 mg MR"),
		"acetylcholine in the eye":                          medication("acetylcholine intraocular solution", rules.Code{System: atc, Code: "S01EB09", Display: "acetylcholine"}),
		"acetylcholine by text":                             medication("Acetylcholine 1 % intraocular"),
		"carbachol in the eye":                              {Kind: rules.Medication, Concepts: []rules.Concept{{Text: "Carbachol 0.01 %"}}, Qualifiers: []rules.Concept{{Text: "Intracameral"}}},
		"undilated pupil by LOINC":                          {Kind: rules.Observation, Concepts: []rules.Concept{{Text: "Left pupil diameter", Codes: []rules.Code{{System: "http://loinc.org", Code: "95315-8"}}}}, Amount: &rules.Amount{Value: 3, Unit: "mm"}},
		"after-cataract capsulotomy":                        {Kind: rules.Procedure, Concepts: []rules.Concept{{Text: "YAG laser capsulotomy"}}},
		"after-cataract by OPCS":                            {Kind: rules.Procedure, Concepts: []rules.Concept{{Codes: []rules.Code{{System: "https://fhir.hl7.org.uk/Id/opcs-4", Code: "C73.3"}}}}},
		"intravitreal injection":                            {Kind: rules.Procedure, Concepts: []rules.Concept{{Text: "Intravitreal injection of aflibercept"}}},
		"corneal graft":                                     {Kind: rules.Procedure, Concepts: []rules.Concept{{Text: "Penetrating keratoplasty"}}},
		"ocular hypertension":                               {Kind: rules.Condition, Concepts: []rules.Concept{{Text: "Ocular hypertension"}}},
	}
	for name, e := range cases {
		t.Run(name, func(t *testing.T) { require.Empty(t, factorIDs(c.Match(&e))) })
	}
}

func medication(text string, codes ...rules.Code) rules.Entry {
	return rules.Entry{Kind: rules.Medication, Concepts: []rules.Concept{{Text: text, Codes: codes}}}
}

// What a text means, in the words of real lists. Source: common practice, no source; what denies is the house's rule.
func TestTexts(t *testing.T) {
	const (
		m = rules.Medication
		d = rules.Condition
		p = rules.Procedure
		o = rules.Observation
	)
	text, spelling := rules.ByText, rules.BySpelling
	cases := []struct {
		kind   rules.Kind
		text   string
		factor string // "" for none
		how    rules.How
	}{
		// ingredients in several languages
		{m, "Tamsulosin 400 mcg MR capsule", "tamsulosin", text},
		{m, "TAMSULOSIN HYDROCHLORIDE", "tamsulosin", text},
		{m, "tamsulosine LP 0,4 mg gélule", "tamsulosin", text},
		{m, "tamsulosina HCl 0,4 mg", "tamsulosin", text},
		{m, "Tamsulosinhydrochlorid ret. 0,4", "tamsulosin", text},
		{m, "Tamsulosin-HCl ratio 0.4mg", "tamsulosin", text},
		{m, "tamsulosin0.4mg", "tamsulosin", text},
		{m, "тамсулозин 0,4 мг", "tamsulosin", text},
		{m, "タムスロシン塩酸塩OD錠0.2mg", "tamsulosin", text},
		{m, "盐酸坦索罗辛缓释胶囊", "tamsulosin", text},
		{m, "silodosine 8 mg", "silodosin", text},
		{m, "SILODOSINA", "silodosin", text},
		{m, "Alfuzosine chlorhydrate", "alfuzosin", text},
		{m, "Doxazosina 4 mg", "doxazosin", text},
		{m, "doxazosín", "doxazosin", text},
		{m, "Terazosin 2mg nocte", "terazosin", text},
		{m, "Prazosin (nightmares)", "prazosin", text},
		{m, "Naftopidil 75mg", "other-alpha-1-antagonist", text},
		{m, "urapidil i.v.", "other-alpha-1-antagonist", text},
		{m, "some alpha-blocker, name unknown", "other-alpha-1-antagonist", text},
		{m, "Pilokarpin 2% Augentropfen", "chronic-miotic-drops", text},
		{m, "Quetiapin 25 mg zur Nacht", "quetiapine", text},
		{m, "Clorpromazina", "chlorpromazine", text},
		{m, "Olanzapina 5 mg", "other-antipsychotic", text},
		{m, "Sägepalme", "saw-palmetto", text},
		// one letter off
		{m, "tamsulosn 0.4", "tamsulosin", spelling},
		{m, "tamusulosin 0.4", "tamsulosin", spelling},
		{m, "tamsuloisn", "tamsulosin", spelling},
		{m, "tamsulosiin 0,4", "tamsulosin", spelling},
		{m, "tamsu\u00adlosin", "tamsulosin", text}, // a soft hyphen is no letter
		{m, "doxasosin 4", "doxazosin", spelling},
		{m, "quetiapene", "quetiapine", spelling},
		{m, "risperidome", "risperidone", spelling},
		{m, "tamsolusin", "", ""}, // two letters off
		{m, "prazocin", "prazosin", spelling},
		{m, "praziquantel 600 mg", "", ""},
		{m, "azithromycin", "", ""},
		// brands, exact and to be confirmed
		{m, "Flomax 0.4", "tamsulosin", spelling},
		{m, "OMNIC", "tamsulosin", spelling},
		{m, "Flomx", "", ""}, // a brand must be exact
		{m, "Cardura XL", "doxazosin", spelling},
		{m, "Flomax (tamsulosin)", "tamsulosin", text}, // the ingredient is surer than the brand
		// exposure in every wording
		{m, "stopped tamsulosin 2014", "tamsulosin", text},
		{m, "tamsulosin - ceased", "tamsulosin", text},
		{m, "previous tamsulosin", "tamsulosin", text},
		{m, "was on tamsulosin", "tamsulosin", text},
		{m, "no longer takes tamsulosin", "tamsulosin", text},
		{m, "not taking tamsulosin any more", "tamsulosin", text},
		{m, "allergic to tamsulosin", "tamsulosin", text},
		{m, "no problems with tamsulosin", "tamsulosin", text},
		{m, "never missed a dose of tamsulosin", "tamsulosin", text},
		{m, "no known allergies, tamsulosin 0.4 mg daily", "tamsulosin", text},
		{m, "denies side effects of tamsulosin", "tamsulosin", text},
		{m, "no change: tamsulosin 0.4 mg", "tamsulosin", text},
		{m, "Never smoker. Tamsulosin.", "tamsulosin", text},
		{m, "Smoker: no Tamsulosin: yes", "tamsulosin", text},
		{m, "took his father's tamsulosin", "tamsulosin", text},
		{m, "wife says he takes tamsulosin", "tamsulosin", text},
		{m, "Mother had glaucoma, patient takes tamsulosin", "tamsulosin", text},
		{m, "no diabetes and takes tamsulosin", "tamsulosin", text},
		{m, "no alpha-blockers except tamsulosin", "tamsulosin", text},
		{m, "tamsulosin (no longer)", "tamsulosin", text},
		// denied, or somebody else's
		{m, "never took tamsulosin", "", ""},
		{m, "Never on tamsulosin or doxazosin", "", ""},
		{m, "no tamsulosin", "", ""},
		{m, "not on tamsulosin", "", ""},
		{m, "denies tamsulosin", "", ""},
		{m, "denies ever taking tamsulosin", "", ""},
		{m, "no history of tamsulosin use", "", ""},
		{m, "without tamsulosin", "", ""},
		{m, "tamsulosin: never", "", ""},
		{m, "tamsulosin - no", "", ""},
		{m, "father takes tamsulosin", "", ""},
		{m, "husband on tamsulosin", "", ""},
		{d, "Family history of pseudoexfoliation", "", ""},
		{d, "Mother: posterior synechiae", "", ""},
		{d, "glaucoma without pseudoexfoliation", "", ""},
		{d, "no history of iritis", "", ""},
		// routes and forms
		{m, "pilocarpine 5 mg tablets for dry mouth", "", ""},
		{m, "Pilocarpine 5mg PO TDS", "", ""},
		{m, "pilocarpine 4 % eye drops", "chronic-miotic-drops", text},
		{m, "carbachol 3 % eye drops", "chronic-miotic-drops", text},
		{m, "carbachol intraocular solution", "", ""},
		{m, "haloperidol 1 mg single dose", "", ""},
		{m, "Lithium", "", ""},
		// diseases and operations
		{d, "PXF syndrome L eye", "pseudoexfoliation", text},
		{d, "Pseudo-exfoliation, both eyes", "pseudoexfoliation", text},
		{d, "Syndrome pseudo-exfoliatif", "pseudoexfoliation", text},
		{d, "Hintere Synechien", "posterior-synechiae", text},
		{d, "synéchies postérieures", "posterior-synechiae", text},
		{d, "IFIS in first eye", "floppy-iris-recorded", text},
		{d, "Intraoperatives Floppy-Iris-Syndrom", "floppy-iris-recorded", text},
		{d, "Pupil dilates poorly", "small-pupil-recorded", text},
		{d, "no active uveitis", "uveitis", text}, // quiet now: it was there
		{d, "Acute anterior uveitis", "anterior-uveitis", text},
		{d, "Glaucoma suspect", "", ""},
		{p, "Trabeculectomy with mitomycin C", "filtering-surgery", text},
		{p, "Phaco with iris hooks", "pupil-device-used", text},
		{p, "Phaco without iris hooks", "", ""},
		{p, "23G pars plana vitrectomy", "vitrectomy", text},
		{o, "Anterior chamber depth", "shallow-chamber", text},
		{o, "Axial length OD", "short-eye", text},
		{o, "Dilated pupil size", "dilated-pupil", text},
		{o, "Pupil reaction to light", "", ""},
		// a drug's name in the wrong kind of record says nothing about a drug taken
		{p, "tamsulosin", "", ""},
		{m, "", "", ""},
	}
	require.GreaterOrEqual(t, len(cases), 60)
	c := builtIn(t)
	for _, k := range cases {
		t.Run(k.text, func(t *testing.T) {
			hits := c.Match(&rules.Entry{Kind: k.kind, Concepts: []rules.Concept{{Text: k.text}}})
			hits = slices.DeleteFunc(hits, func(h rules.Hit) bool { return h.Factor.ContextOnly })
			if k.factor == "" {
				require.Empty(t, factorIDs(hits))
				return
			}
			i := slices.IndexFunc(hits, func(h rules.Hit) bool { return h.Factor.ID == k.factor })
			require.GreaterOrEqual(t, i, 0, "got %v", factorIDs(hits))
			require.Equal(t, k.how, hits[i].How)
			require.NotEmpty(t, hits[i].Matched)
			require.True(t, strings.HasPrefix(hits[i].Code, k.factor))
		})
	}
}

// No two names that may be one letter off can be mistaken for each other, nor for a drug that is no factor.
func TestNamesStayApart(t *testing.T) {
	c := builtIn(t)
	names := map[string]string{}
	for _, f := range c.Factors {
		for _, m := range f.Matches {
			if m.Spelling {
				for _, w := range m.Words {
					names[strings.ToLower(w)] = f.ID
				}
			}
		}
	}
	for name, factor := range names {
		for _, h := range c.Match(&rules.Entry{Kind: rules.Medication, Concepts: []rules.Concept{{Text: name}}}) {
			require.True(t, h.Factor.ID == factor || h.Factor.ContextOnly, "%s is read as %s", name, h.Factor.ID)
		}
	}
	// Common drugs whose names look or sound alike; source: from memory.
	for _, other := range strings.Fields(`clonazepam praziquantel pantoprazole terbinafine tamoxifen doxepin doxycycline prednisolone alprazolam
		risedronate olmesartan loperamide domperidone pilocar clonidine cyclizine promazine clomipramine finerenone trazodone aripipraz
		quinapril carbamazepine silymarin solifenacin sotalol selegiline alendronate azathioprine hydralazine phentermine paroxetine
		carbocisteine acetazolamide amlodipine ropinirole`) {
		for _, h := range c.Match(&rules.Entry{Kind: rules.Medication, Concepts: []rules.Concept{{Text: other}}}) {
			require.True(t, h.Factor.ContextOnly, "%s is read as %s", other, h.Factor.ID)
		}
	}
}

// Neither the order of codings and concepts nor a repeated one makes a difference.
func TestOrderMakesNoDifference(t *testing.T) {
	c := builtIn(t)
	var codes []rules.Code
	for _, id := range []string{"tamsulosin", "dutasteride", "pilocarpine", "pilocarpine-oral", "risperidone", "uveitis", "posterior-synechiae", "filtering-surgery", "antipsychotic-class"} {
		codes = append(codes, c.CodeSets[id].Codes...)
		codes = append(codes, c.CodeSets[id].Branches...)
	}
	codes = append(codes, rules.Code{System: "urn:local", Code: "1", Display: "Tamsulosin 0.4"}, rules.Code{System: "urn:local", Code: "2", Display: "Flomax"}, rules.Code{Code: "x"})
	texts := []string{"", "tamsulosin", "tamsulosn", "pilocarpine eye drops", "pilocarpine tablets", "uveitis", "iritis 2011", "no tamsulosin"}
	rapid.Check(t, func(t *rapid.T) {
		concept := rapid.Custom(func(t *rapid.T) rules.Concept {
			return rules.Concept{Codes: rapid.SliceOfN(rapid.SampledFrom(codes), 0, 4).Draw(t, "codes"), Text: rapid.SampledFrom(texts).Draw(t, "text")}
		})
		e := rules.Entry{Kind: rapid.SampledFrom(rules.Kinds).Draw(t, "kind"), Concepts: rapid.SliceOfN(concept, 0, 3).Draw(t, "concepts")}
		want := c.Match(&e)
		shuffled := rules.Entry{Kind: e.Kind}
		for _, k := range rapid.Permutation(e.Concepts).Draw(t, "order") {
			k.Codes = rapid.Permutation(k.Codes).Draw(t, "order of codings")
			if len(k.Codes) > 0 {
				k.Codes = append(k.Codes, k.Codes[0])
			}
			shuffled.Concepts = append(shuffled.Concepts, k)
		}
		require.Equal(t, want, c.Match(&shuffled))
		require.True(t, slices.IsSortedFunc(want, func(a, b rules.Hit) int {
			return slices.Index(c.Factors, a.Factor) - slices.Index(c.Factors, b.Factor)
		}))
	})
}

func TestServices(t *testing.T) {
	c := builtIn(t)
	const sct = "http://snomed.info/sct"
	text := func(list ...string) (out []rules.Concept) {
		for _, s := range list {
			out = append(out, rules.Concept{Text: s})
		}
		return out
	}
	cases := []struct {
		booking []rules.Concept
		want    rules.Recognition
	}{
		{text("Cataract surgery, right eye"), rules.IsOperation},
		{text("Phaco OS"), rules.IsOperation},
		{text("Phako + IOL li"), rules.IsOperation},
		{text("R phaco+IOL LA"), rules.IsOperation},
		{text("Katarakt-OP rechts"), rules.IsOperation},
		{text("Chirurgie de la cataracte OD"), rules.IsOperation},
		{text("Cirugía de cataratas"), rules.IsOperation},
		{text("Intervento di cataratta"), rules.IsOperation},
		{text("IOL exchange"), rules.IsOperation},
		{text("Refractive lens exchange"), rules.IsOperation},
		{[]rules.Concept{{Codes: []rules.Code{{System: sct, Code: "110473004"}}}}, rules.IsOperation},
		{[]rules.Concept{{Codes: []rules.Code{{System: "https://fhir.nhs.uk/Id/opcs-4", Code: "C712"}}}}, rules.IsOperation},
		{[]rules.Concept{{Codes: []rules.Code{{System: sct, Code: "446548003"}}}}, rules.IsOperation},
		{append(text("Theatre list. Pre-assessment done."), rules.Concept{Codes: []rules.Code{{System: sct, Code: "110473004"}}}), rules.IsOperation},
		{text("Ophthalmology", "Cataract surgery"), rules.IsOperation},
		{text("Clinic visit, eye pressure check, right eye"), rules.IsNot},
		{text("Follow-up after cataract surgery"), rules.IsNot},
		{text("Pre-assessment for cataract surgery"), rules.IsNot},
		{text("Biometry"), rules.IsNot},
		{text("YAG laser capsulotomy"), rules.IsNot},
		{text("Intravitreal injection"), rules.IsNot},
		{text("Nachkontrolle nach Katarakt-OP"), rules.IsNot},
		{text("Consultation"), rules.IsNot},
		{[]rules.Concept{{Codes: []rules.Code{{System: "https://fhir.hl7.org.uk/Id/opcs-4", Code: "C73.3"}}, Text: "laser"}}, rules.IsNot},
		{text("Follow-up", "Cataract surgery"), rules.Unclear},
		{text("Ophthalmology"), rules.Unclear},
		{text("Cataract"), rules.Unclear},
		{nil, rules.Unclear},
	}
	for _, k := range cases {
		require.Equal(t, k.want, c.Service(k.booking), "%v", k.booking)
	}
}

func TestLensDone(t *testing.T) {
	c := builtIn(t)
	for _, k := range []struct {
		kind rules.Kind
		text string
		code rules.Code
		want bool
	}{
		{rules.Procedure, "Phacoemulsification", rules.Code{}, true},
		{rules.Procedure, "YAG capsulotomy", rules.Code{}, false},
		{rules.Procedure, "Biometry before cataract surgery", rules.Code{}, false},
		{rules.Condition, "Pseudophakia", rules.Code{}, true},
		{rules.Condition, "", rules.Code{System: "http://hl7.org/fhir/sid/icd-10-cm", Code: "Z9841"}, true},
		{rules.Condition, "", rules.Code{System: "http://hl7.org/fhir/sid/icd-10-cm", Code: "Z96.1"}, true},
		{rules.Condition, "Cataract", rules.Code{}, false},
		{rules.Device, "Intraocular lens, posterior chamber", rules.Code{}, true},
		{rules.Device, "Phakic IOL", rules.Code{}, false},
		{rules.Device, "Hearing aid", rules.Code{}, false},
	} {
		e := rules.Entry{Kind: k.kind, Concepts: []rules.Concept{{Text: k.text, Codes: []rules.Code{k.code}}}}
		require.Equal(t, k.want, c.LensDone(&e), "%s %v", k.text, k.code)
	}
}

func TestAsksAndCautions(t *testing.T) {
	c := builtIn(t)
	for _, k := range []struct {
		kind    rules.Kind
		text    string
		asks    bool
		caution string
	}{
		{rules.Condition, "Benign prostatic hyperplasia", true, "avoid-antimuscarinic-drops"},
		{rules.Procedure, "TURP", true, ""},
		{rules.Condition, "Ureteric stone, left", true, ""},
		{rules.Medication, "finasteride 5 mg", true, ""},
		{rules.Medication, "tadalafil 5 mg daily", true, ""},
		{rules.Medication, "tadalafil 20 mg as needed", false, ""},
		{rules.Medication, "Solifenacin 5 mg", true, "avoid-antimuscarinic-drops"},
		{rules.Condition, "no prostatic hyperplasia", false, ""},
		{rules.Medication, "amlodipine", false, ""},
		{rules.Intolerance, "Aspirin", false, "no-nsaid-drops"},
		{rules.Medication, "Aspirin 75 mg", false, ""},
		{rules.Condition, "Myocardial infarction 2026-08", false, "check-phenylephrine"},
		{rules.Medication, "Moclobemide 150 mg", false, "check-phenylephrine"},
		{rules.Medication, "Ecothiopate iodide", false, "suxamethonium"},
	} {
		e := rules.Entry{Kind: k.kind, Concepts: []rules.Concept{{Text: k.text}}}
		require.Equal(t, k.asks, len(c.Asks(&e)) > 0, k.text)
		var got []string
		for _, x := range c.Cautioned(&e) {
			got = append(got, x.ID)
		}
		if k.caution == "" {
			require.Empty(t, got, k.text)
		} else {
			require.Contains(t, got, k.caution, k.text)
		}
	}
}

func TestUnrecognised(t *testing.T) {
	c := builtIn(t)
	const rx = "http://www.nlm.nih.gov/research/umls/rxnorm"
	seen := map[string]bool{}
	for _, k := range []struct {
		e      rules.Entry
		system string // "" for recognised
	}{
		{medication("Tamsulosin"), ""},
		{medication("", rules.Code{System: rx, Code: "77492"}), ""},
		{medication("", rules.Code{System: rx, Code: "17767", Display: "amlodipine"}), ""},
		{medication("Amlodipine", rules.Code{System: rx, Code: "17767"}), ""},
		{medication("", rules.Code{System: rx, Code: "17767"}), "rxnorm"},
		{medication("", rules.Code{System: "urn:oid:2.16.840.1.113883.6.88", Code: "17767"}), "rxnorm"},
		{medication("", rules.Code{System: "http://snomed.info/sct", Code: "999"}), "snomed"},
		{medication("", rules.Code{System: "http://hl7.org/fhir/sid/ndc", Code: "00000-0000"}), "ndc"},
		{medication("", rules.Code{System: "http://dmd.nhs.uk", Code: "1"}), "dmd"},
		{medication("", rules.Code{System: "http://fhir.de/CodeSystem/ifa/pzn", Code: "1"}), "pzn"},
		{medication("", rules.Code{System: "http://fdasis.nlm.nih.gov", Code: "1"}), "unii"},
		{medication("", rules.Code{System: "http://www.whocc.no/atc", Code: "X01"}), "atc"},
		{medication("Amlodipine"), "text"},
		{medication("no tamsulosin"), "text"},
		{medication("", rules.Code{System: "urn:hospital", Code: "A1"}), "other"},
		{medication("Amlodipine", rules.Code{System: "urn:hospital", Code: "A1"}), "other"},
		{medication("", rules.Code{Code: "A1"}), "other"},
		{medication(""), "none"},
		{rules.Entry{Kind: rules.Medication}, "none"},
		{medication("Pilocarpine", rules.Code{System: rx, Code: "1000913"}), ""},
		{rules.Entry{Kind: rules.Condition}, ""},
	} {
		system, yes := c.Unrecognised(&k.e)
		require.Equal(t, k.system, system, "%v", k.e.Concepts)
		require.Equal(t, k.system != "", yes)
		if yes {
			require.Contains(t, rules.MedicationSystems, system)
			seen[system] = true
		}
	}
	require.Len(t, seen, len(rules.MedicationSystems))
}

func TestDilated(t *testing.T) {
	c := builtIn(t)
	i := slices.IndexFunc(c.Factors, func(f *rules.Factor) bool { return f.ID == "dilated-pupil" })
	for _, k := range []struct {
		name, qualifier, note string
		dilated, mydriatic    bool
	}{
		{"Dilated pupil diameter", "", "", true, false},
		{"Pupil diameter", "after dilation", "", true, false},
		{"Pupil diameter", "", "after tropicamide 1 % and phenylephrine 2.5 % drops", true, true},
		{"Pupil diameter", "Tropicamid", "", true, true},
		{"Pupil diameter", "", "", false, false},
		{"Pupil diameter, undilated", "", "", false, false},
		{"Pupil diameter", "not dilated", "", false, false},
		{"Pupil diameter", "mesopic", "dilated later with tropicamide", false, true},
		{"Pupil size", "without dilation", "", false, false},
		{"Pupillendurchmesser in Mydriasis", "", "", true, false},
	} {
		e := rules.Entry{Kind: rules.Observation, Concepts: []rules.Concept{{Text: k.name}}, Note: k.note, Amount: &rules.Amount{Value: 5, Unit: "mm"}}
		if k.qualifier != "" {
			e.Qualifiers = []rules.Concept{{Text: k.qualifier}}
		}
		require.Equal(t, k.dilated, c.Dilated(c.Factors[i], &e), "%v", k)
		require.Equal(t, k.mydriatic, c.Mydriatic(&e), "%v", k)
	}
}

func TestPlannedOnlyInTheBooking(t *testing.T) {
	c := builtIn(t)
	k := []rules.Concept{{Text: "Femtosecond laser assisted cataract surgery, left eye"}}
	require.Equal(t, []string{"laser-pretreatment"}, factorIDs(c.Planned(k)))
	require.Empty(t, factorIDs(c.Match(&rules.Entry{Kind: rules.Procedure, Concepts: k})))
}

// Issue and evidence in one table: the levels to start from. Source: the levels proposed for the clinic to approve.
func TestLevelsToStartFrom(t *testing.T) {
	c := builtIn(t)
	want := map[rules.Level][]string{
		rules.High: {"tamsulosin", "silodosin", "floppy-iris-recorded", "small-pupil-recorded", "pinpoint-pupil", "pupil-device-used", "posterior-synechiae"},
		rules.Moderate: {
			"alfuzosin", "terazosin", "doxazosin", "prazosin", "other-alpha-1-antagonist", "risperidone", "paliperidone", "quetiapine",
			"chlorpromazine", "pseudoexfoliation", "filtering-surgery", "drainage-device", "chronic-miotic-drops", "uveitis", "anterior-uveitis",
			"angle-closure", "rubeosis", "vitrectomy", "iris-trauma", "lens-subluxation", "iris-adhesion",
		},
		rules.Low: {
			"other-antipsychotic", "five-alpha-reductase-inhibitor", "saw-palmetto", "iridotomy", "diabetic-retinopathy", "laser-pretreatment",
			"plate-haptic-lens", "aniridia", "coloboma", "horner-pupil", "tonic-pupil", "argyll-robertson-pupil", "iris-atrophy",
			"iris-fixed-or-phakic-lens", "anterior-synechiae", "narrow-angle", "eye-injury", "pupil-abnormality", "microphthalmos", "iris-surgery",
		},
	}
	floppy := []string{
		"tamsulosin", "silodosin", "alfuzosin", "terazosin", "doxazosin", "prazosin", "other-alpha-1-antagonist", "risperidone",
		"paliperidone", "quetiapine", "chlorpromazine", "other-antipsychotic", "five-alpha-reductase-inhibitor", "saw-palmetto", "floppy-iris-recorded",
	}
	got := map[rules.Level][]string{}
	for _, f := range c.Factors {
		if f.Level != rules.NoLevel {
			got[f.Level] = append(got[f.Level], f.ID)
		}
		if !f.ContextOnly {
			require.Equal(t, slices.Contains(floppy, f.ID), f.Hazard == rules.FloppyIris, f.ID)
			require.True(t, f.Persists || f.Planned || f.Measure != nil, "%s does not persist", f.ID)
		}
	}
	for level, ids := range want {
		require.ElementsMatch(t, ids, got[level])
	}
	by := func(id string) *rules.Factor {
		i := slices.IndexFunc(c.Factors, func(f *rules.Factor) bool { return f.ID == id })
		require.GreaterOrEqual(t, i, 0, id)
		return c.Factors[i]
	}
	require.Equal(t, rules.Low, by("pseudoexfoliation").Fellow)
	require.Equal(t, []rules.Raise{{To: rules.High, Factor: "dilated-pupil", Below: 6.3}, {To: rules.High, Factor: "shallow-chamber", Below: 2.1}}, by("pseudoexfoliation").Raise)
	require.Equal(t, rules.Low, by("anterior-uveitis").Settled)
	for _, id := range []string{"floppy-iris-recorded", "small-pupil-recorded", "pupil-device-used"} {
		require.Equal(t, rules.High, by(id).Fellow, id)
	}
	five, six, seven := 5.0, 6.0, 7.0
	require.Equal(t, []rules.Band{
		{ID: "pupil-5", UpTo: &five, Level: rules.High},
		{ID: "pupil-6", UpTo: &six, Level: rules.Moderate},
		{ID: "pupil-7", UpTo: &seven, Level: rules.Low, Beside: true},
	}, by("dilated-pupil").Measure.Bands)
}

// What no text of the catalogue may say. Source: sections 0 and 8 of the evidence.
func TestTextsKeepTheirPromises(t *testing.T) {
	c := builtIn(t)
	var all []string
	for _, p := range c.Preparations {
		all = append(all, p.Name, p.Text)
		for _, a := range p.Advice {
			all = append(all, a.Text)
		}
	}
	for _, x := range c.Cautions {
		all = append(all, x.Text)
	}
	for _, m := range []map[string]string{c.Wording.Cautions, c.Wording.Gaps, c.Wording.Outcomes} {
		for _, s := range m {
			all = append(all, s)
		}
	}
	for _, q := range c.Questions {
		all = append(all, q.Text)
	}
	for _, s := range all {
		low := strings.ToLower(s)
		require.NotContains(t, low, "atropine", s)
		require.NotContains(t, strings.ReplaceAll(low, "no drug is to be stopped or changed", ""), "stop ", s)
		for _, jargon := range []string{"fhir", "resource", "reference", "bundle", "observation", "statement"} {
			require.NotContains(t, low, jargon, s)
		}
		require.False(t, strings.Contains(low, "stretch") && !strings.Contains(low, "hooks and rings are suitable"), s)
		require.LessOrEqual(t, len([]rune(s)), 400)
	}
	for _, s := range c.Wording.Levels {
		require.LessOrEqual(t, len(s), 10)
	}
	require.Equal(t, "EXPECT", c.Wording.Levels["high"])
	require.Equal(t, "HAVE READY", c.Wording.Levels["moderate"])
	require.Equal(t, "NOTE", c.Wording.Levels["low"])
}

// Every code set is used, and every one says where its codes were seen.
func TestCodeSetsSayWhereTheyComeFrom(t *testing.T) {
	c := builtIn(t)
	used := map[string]bool{"pupil-dilated-mark": true}
	matches := [][]rules.FactorMatch{c.Services.Operation, c.Services.NotOperation, c.Services.Implant, c.Reading.Mydriatics}
	for _, f := range c.Factors {
		matches = append(matches, f.Matches)
	}
	for _, q := range c.Questions {
		matches = append(matches, q.Matches)
	}
	for _, x := range c.Cautions {
		matches = append(matches, x.Matches)
	}
	for _, list := range matches {
		for _, m := range list {
			for _, id := range slices.Concat(m.Codes, m.Unless, m.Despite, m.Needs) {
				used[id] = true
			}
		}
	}
	for _, h := range c.Reading.Harmless {
		used[h.Codes] = true
	}
	for _, id := range c.Reading.Absent.Codes {
		used[id] = true
	}
	for id := range c.CodeSets {
		require.True(t, used[id], "code set %s is not used", id)
		text, err := fs.ReadFile(catalogue.FS, "codes/"+id+".json")
		require.NoError(t, err, "a code set stands in the file of its id")
		require.Regexp(t, `"description": "(Seen in|From memory)`, string(text), id)
		require.NotContains(t, string(text), "cpt", id)
	}
}
