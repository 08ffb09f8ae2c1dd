package fhirmap

import (
	"strings"

	"pupilrisk/rules"
)

const (
	sct      = "http://snomed.info/sct"
	loinc    = "http://loinc.org"
	icd10cm  = "http://hl7.org/fhir/sid/icd-10-cm"
	icd10pcs = "http://www.cms.gov/Medicare/Coding/ICD10"
)

// sideCodes are codes that name a side, by system. SNOMED CT: qualifiers and sites from the eye-care guide of HL7 (bodySite
// extension), the R4 example value set bodysite-laterality, the CDA eye-care guide's target sites and an IHE value set;
// diseases and operations of one eye from the value sets of the measure CMS133 as they stand in the project's code material,
// as are the LOINC observations. HL7 v2 tables 0163 and 0495; OPCS-4 Z94 (public code lists). The codes right and left are
// R4's own, of VisionPrescription.
var sideCodes = map[string]map[string]rules.Eye{
	sct: words(map[rules.Eye]string{
		rules.RightEye: `18944008 24028007 362502000 419465000 860934001 1231299001 38631000087106 332921000119107 334821000119108
			335061000119105 336531000119103 336541000119107 336611000119109 675381000119107 678211000119100 15638451000119104
			15678641000119101 15678761000119105 15679401000119107 15736681000119100 15739441000119101 15991631000119106`,
		rules.LeftEye: `7771000 8966001 28153001 362503005 419161000 860930005 1231300009 1388411008 38621000087109 338531000119102
			340421000119101 340671000119102 342141000119102 342151000119100 342221000119104 675371000119109 678201000119103
			15638491000119109 15678681000119106 15678801000119102 15679361000119103 15736761000119101 15739481000119106
			15991591000119106`,
		rules.BothEyes: `40638003 51440002 362508001 1231296008 1236928007 1344641008 1345274005 1351777002 1354583001 344301000119109
			347301000119103 347311000119100 347381000119106 675361000119103 678191000119101 680291000119102 15638531000119109
			15678721000119100 15678841000119100 15679441000119109 15736721000119106 15739041000119106`,
	}),
	loinc: words(map[rules.Eye]string{rules.RightEye: "64742-0 79857-9 80312-2", rules.LeftEye: "66067-0 79871-0 79899-1 95315-8"}),

	"http://terminology.hl7.org/CodeSystem/v2-0163": words(map[rules.Eye]string{rules.RightEye: "OD", rules.LeftEye: "OS", rules.BothEyes: "OU"}),
	"http://terminology.hl7.org/CodeSystem/v2-0495": words(map[rules.Eye]string{rules.RightEye: "R", rules.LeftEye: "L", rules.BothEyes: "BIL"}),
	"http://hl7.org/fhir/vision-eye-codes":          words(map[rules.Eye]string{rules.RightEye: "right", rules.LeftEye: "left"}),

	"https://fhir.hl7.org.uk/Id/opcs-4":        opcsSides,
	"https://fhir.nhs.uk/Id/opcs-4":            opcsSides,
	"urn:oid:2.16.840.1.113883.2.1.3.2.4.16.4": opcsSides,
}

var opcsSides = words(map[rules.Eye]string{rules.BothEyes: "Z941 Z94.1", rules.RightEye: "Z942 Z94.2", rules.LeftEye: "Z943 Z94.3"})

func (s *side) coding(k rules.Code) {
	if e, ok := sideCodes[k.System][k.Code]; ok {
		s.coded.add(e)
		return
	}
	switch k.System {
	case sct:
		s.coded.add(postCoordinated(k.Code))
	case icd10cm, "urn:oid:2.16.840.1.113883.6.90":
		s.coded.add(icdSide(k.Code))
	case icd10pcs, "http://hl7.org/fhir/sid/icd-10-pcs", "urn:oid:2.16.840.1.113883.6.4":
		s.coded.add(pcsSide(k.Code))
	}
}

// postCoordinated reads the side out of a SNOMED CT expression: any of its concepts may name it, the value of the laterality
// attribute or the site. Two sides in one expression are two sites.
func postCoordinated(code string) rules.Eye {
	if strings.IndexByte(code, ':') < 0 && strings.IndexByte(code, '|') < 0 && strings.IndexByte(code, '+') < 0 {
		return rules.EyeUnknown
	}
	var found sides
	for i, part := range strings.Split(code, "|") {
		if i%2 == 1 {
			continue // a term between bars
		}
		for _, id := range strings.FieldsFunc(part, func(r rune) bool { return r < '0' || r > '9' }) {
			found.add(sideCodes[sct][id])
		}
	}
	e, conflict := found.eye()
	if conflict {
		return rules.BothEyes
	}
	return e
}

// icdSide reads the side out of an ICD-10-CM code of the eye chapter. Its convention: the character for the side is 1 right,
// 2 left, 3 both, 9 or 0 not stated. Where a category puts it is in sidePlaces; other categories say nothing.
func icdSide(code string) rules.Eye {
	if code == "" || !strings.ContainsRune("HhEeSsZz.", rune(code[0])) {
		return rules.EyeUnknown
	}
	code = strings.ToUpper(strings.ReplaceAll(code, ".", ""))
	places := sidePlaces
	if strings.HasPrefix(code, "H40") {
		places = glaucomaPlaces
	}
	for _, p := range places {
		if !strings.HasPrefix(code, p.prefix) {
			continue
		}
		if len(code) <= p.at {
			return rules.EyeUnknown
		}
		switch code[p.at] {
		case '1':
			return rules.RightEye
		case '2':
			return rules.LeftEye
		case '3':
			return rules.BothEyes
		}
		return rules.EyeUnknown
	}
	return rules.EyeUnknown
}

// sidePlaces says at which character, counted from 0 without the dot, an ICD-10-CM category of eye disease holds the side.
// Read off the descriptions ("…, right eye") of the CMS order file of January 2021 as they stand in the project's code
// material, and tested against them; E08 to E13 and H35 from memory. Longer prefixes come first.
var sidePlaces = []struct {
	prefix string
	at     int
}{
	{"H211X", 5},
	{"H200", 5},
	{"H201", 4},
	{"H202", 4},
	{"H208", 5},
	{"H212", 5},
	{"H213", 5},
	{"H214", 4},
	{"H215", 5},
	{"H251", 4},
	{"H252", 4},
	{"H25", 5},
	{"H263", 4},
	{"H26", 5},
	{"H27", 5},
	{"H441", 5},
	{"H520", 4},
	{"H5705", 5},
	{"S05", 4},
	{"Z984", 4},
	{"E083", 6},
	{"E093", 6},
	{"E103", 6},
	{"E113", 6},
	{"E133", 6},
}

// glaucomaPlaces are those of H40, which differ by its sub-categories.
var glaucomaPlaces = []struct {
	prefix string
	at     int
}{
	{"H4003", 5},
	{"H4006", 5},
	{"H4000", 5},
	{"H4001", 5},
	{"H4002", 5},
	{"H4004", 5},
	{"H4005", 5},
	{"H4011", 5},
	{"H4012", 5},
	{"H4013", 5},
	{"H4014", 5},
	{"H4015", 5},
	{"H4021", 5},
	{"H4022", 5},
	{"H4023", 5},
	{"H4024", 5},
	{"H403", 4},
	{"H404", 4},
	{"H405", 4},
	{"H406", 4},
}

// pcsSide reads the side out of the body part character of an ICD-10-PCS eye code (section 0, body system 8, Eye): among the
// body parts that have a side, the lower of each pair is right and the higher left. From memory; checked against the rows
// of our code lists.
func pcsSide(code string) rules.Eye {
	code = strings.ToUpper(code)
	if len(code) != 7 || !strings.HasPrefix(code, "08") {
		return rules.EyeUnknown
	}
	switch code[3] {
	case '0', '2', '4', '6', '8', 'A', 'C', 'E', 'G', 'J', 'L', 'N', 'Q', 'S', 'V', 'X':
		return rules.RightEye
	case '1', '3', '5', '7', '9', 'B', 'D', 'F', 'H', 'K', 'M', 'P', 'R', 'T', 'W', 'Y':
		return rules.LeftEye
	}
	return rules.EyeUnknown
}
