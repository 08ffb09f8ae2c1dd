package fhirmap

import (
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// PatientInfo is what the worker needs of a Patient.
type PatientInfo struct {
	Found bool
	// Name, BirthDate are for the operating list only.
	Name, BirthDate string
	// ReplacedBy and Replaces are Patient/id.
	ReplacedBy, Replaces []string
	// Test reports the label of test data.
	Test bool
}

type patientJSON struct {
	Meta      metaJSON       `json:"meta"`
	Name      jsontext.Value `json:"name"`
	BirthDate jsontext.Value `json:"birthDate"`
	Link      []struct {
		Other referenceJSON `json:"other"`
		Type  string        `json:"type"`
	} `json:"link"`
}

type nameJSON struct {
	Use    string   `json:"use"`
	Text   string   `json:"text"`
	Family string   `json:"family"`
	Given  []string `json:"given"`
}

func (r *Record) patientResource(x resource) error {
	var p patientJSON
	if err := r.decode(x.value, &p); err != nil {
		return err
	}
	info := PatientInfo{Found: true, Test: p.Meta.test(), Name: personName(p.Name), BirthDate: stringOf(p.BirthDate)}
	for _, l := range p.Link {
		other := strings.Clone(r.reference(l.Other.Reference)) // it may come to stand for the patient
		if !ValidReference(other, "Patient") {
			continue
		}
		switch l.Type {
		case "replaced-by":
			info.ReplacedBy = append(info.ReplacedBy, other)
		case "replaces":
			info.Replaces = append(info.Replaces, other)
		}
	}
	r.patients[x.reference] = info
	return nil
}

// personName is the name as a list shows it: family, given. A name that cannot be read costs nothing else.
func personName(raw jsontext.Value) string {
	var names []nameJSON
	if json.Unmarshal(raw, &names, faultyInside) != nil || len(names) == 0 {
		return ""
	}
	best := names[0]
	for _, n := range names {
		if n.Use == "official" || n.Use == "usual" && best.Use != "official" {
			best = n
		}
	}
	switch given := strings.Join(best.Given, " "); {
	case best.Family != "" && given != "":
		return best.Family + ", " + given
	case best.Family != "":
		return best.Family
	case best.Text != "":
		return best.Text
	default:
		return given
	}
}

// Patient is what the record says about its own patient.
func (r *Record) Patient() PatientInfo { return r.patients[r.patient] }

// Born lists the patients of a page of Patients, Patient/id, with their dates of birth, "" where the record gives none.
func Born(page []byte, o Options) (map[string]string, error) {
	r := NewRecord("", o)
	defer r.Close()
	if _, err := r.AddPage("Patient", page); err != nil {
		return nil, err
	}
	out := make(map[string]string, len(r.patients))
	for ref, info := range r.patients {
		out[ref] = info.BirthDate
	}
	return out, nil
}

// ReplacedIn lists the patients of a page of Patients that were merged into the given one, Patient/id: links need not be
// mutual, so the survivor may not say so itself.
func ReplacedIn(page []byte, patient string, o Options) ([]string, error) {
	r := NewRecord(patient, o)
	defer r.Close()
	if _, err := r.AddPage("Patient", page); err != nil {
		return nil, err
	}
	var out []string
	for id, info := range r.patients {
		if slices.Contains(info.ReplacedBy, patient) {
			out = append(out, id)
		}
	}
	slices.Sort(out)
	return out, nil
}
