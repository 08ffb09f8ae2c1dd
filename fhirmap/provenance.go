package fhirmap

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	fhir "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// Provenance builds the one Provenance of a set of writes: targets are all of them, the agent is our Device, the sources
// are the records they rest on. Its id follows from what is written, so that the same writes sent twice leave one.
func (w Writer) Provenance(patient string, writes []Write, at time.Time) (Write, error) {
	var keys, sources, revised []string
	p := fhir.Provenance{
		Recorded: stamp(at),
		Activity: &fhir.CodeableConcept{Coding: []fhir.Coding{{System: ptr("http://terminology.hl7.org/CodeSystem/v3-DataOperation"), Code: ptr(operation(writes))}}},
		Agent: []fhir.ProvenanceAgent{{
			Type: &fhir.CodeableConcept{Coding: []fhir.Coding{{
				System: ptr("http://terminology.hl7.org/CodeSystem/provenance-participant-type"), Code: ptr("assembler"), Display: ptr("Assembler"),
			}}},
			Who: fhir.Reference{Reference: ptr(w.Device), Display: ptr("pupilrisk " + w.SoftwareVersion + ", catalogue " + w.Catalogue.Version)},
		}},
	}
	for _, x := range writes {
		p.Target = append(p.Target, fhir.Reference{Reference: ptr(x.Type + "/" + x.ID)})
		keys = append(keys, x.Key+"@"+x.Version)
		sources = append(sources, x.Details...)
		if x.Replaces != "" {
			revised = append(revised, x.Replaces)
		}
	}
	slices.Sort(sources)
	for _, ref := range slices.Compact(sources) {
		p.Entity = append(p.Entity, fhir.ProvenanceEntity{Role: fhir.ProvenanceEntityRoleSource, What: fhir.Reference{Reference: ptr(ref)}})
	}
	for _, ref := range revised {
		p.Entity = append(p.Entity, fhir.ProvenanceEntity{Role: fhir.ProvenanceEntityRoleRevision, What: fhir.Reference{Reference: ptr(ref)}})
	}
	slices.Sort(keys)
	key := "provenance " + strings.Join(keys, " ")
	id := w.Names.ID(key)
	p.Id = &id
	body, err := json.Marshal(struct {
		ResourceType string `json:"resourceType"`
		fhir.OtherProvenance
	}{"Provenance", fhir.OtherProvenance(p)})
	if err != nil {
		return Write{}, fmt.Errorf("build Provenance: %w", err)
	}
	return Write{Type: "Provenance", ID: id, Key: key, Change: Create, Body: body}, nil
}

// Recorded holds, by the reference of what was written, when its Provenances were recorded.
type Recorded map[string][]string

// Add keeps what a page of a search for Provenances says, and where the next page is.
func (c Recorded) Add(page []byte) (next string, err error) {
	info, err := WalkBundle(page, Limits{}, func(e BundleEntry) error {
		var p struct {
			ResourceType string          `json:"resourceType"`
			Recorded     string          `json:"recorded"`
			Target       []referenceJSON `json:"target"`
		}
		if json.Unmarshal(e.Resource, &p, faultyInside) != nil || p.ResourceType != "Provenance" {
			return nil // somebody else's, whatever it holds
		}
		for _, t := range p.Target {
			ref := bareReference(t.Reference)
			c[ref] = append(c[ref], stringMeaning("recorded", p.Recorded))
		}
		return nil
	})
	return info.Next, err
}

// Missing are the Provenances that were to follow what stands and do not: the worker was stopped between single writes.
func (w Writer) Missing(patient string, standing []Standing, recorded Recorded) ([]Write, error) {
	lost := map[string][]Write{} // by the time of writing: one Provenance each
	for _, s := range standing {
		written := stringMeaning("at", s.Written)
		if slices.Contains(recorded[s.Type+"/"+s.ID], written) {
			continue
		}
		x := Write{Type: s.Type, ID: s.ID, Key: numbered(s.Base, s.N), Change: Update, Version: written, Details: s.Details}
		if written == stringMeaning("start", s.Start) {
			x.Change = Create
		}
		lost[written] = append(lost[written], x)
	}
	var out []Write
	for written, writes := range lost {
		at, err := time.Parse(time.RFC3339, written)
		if err != nil {
			continue // nobody knows when it was written
		}
		x, err := w.Provenance(patient, writes, at)
		if err != nil {
			return nil, err
		}
		out = append(out, x)
	}
	return out, nil
}

// operation is the v3 data operation of the writes: CREATE if all are, else UPDATE.
func operation(writes []Write) string {
	if slices.ContainsFunc(writes, func(w Write) bool { return w.Change != Create }) {
		return "UPDATE"
	}
	return "CREATE"
}

// DeviceResource builds the Device that is author of everything we write.
func DeviceResource(n Names, version string) (Write, error) {
	id, value := n.ID("device"), "pupilrisk"
	d := fhir.Device{
		Id:         &id,
		Identifier: []fhir.Identifier{{System: ptr(n.DeviceSystem()), Value: &value}},
		Status:     ptr(fhir.FHIRDeviceStatusActive),
		DeviceName: []fhir.DeviceDeviceName{{Name: "pupilrisk", Type: fhir.DeviceNameTypeUserFriendlyName}},
		Version:    []fhir.DeviceVersion{{Value: version}},
		Note:       []fhir.Annotation{{Text: "Software that reads the record for floppy-iris and small-pupil risk before lens operations. Decision support only."}},
	}
	body, err := json.Marshal(struct {
		ResourceType string `json:"resourceType"`
		fhir.OtherDevice
	}{"Device", fhir.OtherDevice(d)})
	return Write{Type: "Device", ID: id, Key: value, Change: Create, Body: body}, err
}

// order is the safe order of single writes: what others point to comes first.
var order = []string{"Device", "Flag", "Task", "Provenance"}

// SafeOrder sorts writes so that a crash between two of them leaves nothing that points to what is not there.
func SafeOrder(writes []Write) []Write {
	out := slices.Clone(writes)
	slices.SortStableFunc(out, func(x, y Write) int {
		return cmp.Compare(slices.Index(order, x.Type), slices.Index(order, y.Type))
	})
	return out
}

// Transaction builds the transaction Bundle of writes. With clientIDs each creation is a PUT to the id that follows from its
// key, under If-None-Match; else a POST under If-None-Exist, and references between the new resources are by urn:uuid.
func Transaction(n Names, writes []Write, clientIDs bool) ([]byte, error) {
	// Written member by member: the model library's Bundle would scan every resource again.
	const around = 256 // bytes of an entry beside its resource, about
	size := around
	for _, x := range writes {
		size += len(x.Body) + around
	}
	out := append(make([]byte, 0, size), `{"resourceType":"Bundle","type":"transaction","entry":[`...)
	for i, x := range SafeOrder(writes) {
		if i > 0 {
			out = append(out, ',')
		}
		out = append(out, '{')
		method, address, condition, value := "PUT", x.Type+"/"+x.ID, "", ""
		body := x.Body
		switch {
		case x.Change != Create:
			if x.Version != "" {
				condition, value = "ifMatch", `W/"`+x.Version+`"`
			}
		case clientIDs:
			if x.OnlyIfNone() {
				condition, value = "ifNoneMatch", "*"
			}
		default:
			var err error
			if body, err = WithoutID(x.Body); err != nil {
				return nil, err
			}
			method, address = "POST", x.Type
			if query := IfNoneExist(n, x); query != "" {
				condition, value = "ifNoneExist", query
			}
		}
		if x.Change == Create {
			out = append(appendMember(out, "fullUrl", "urn:uuid:"+x.ID), ',')
		}
		out = append(append(append(out, `"resource":`...), body...), `,"request":{`...)
		out = append(appendMember(out, "method", method), ',')
		out = appendMember(out, "url", address)
		if condition != "" {
			out = appendMember(append(out, ','), condition, value)
		}
		out = append(out, `}}`...)
	}
	out = append(out, `]}`...)
	if !clientIDs {
		for _, x := range writes {
			if x.Change == Create {
				out = ReplaceReference(out, x.Type+"/"+x.ID, "urn:uuid:"+x.ID)
			}
		}
	}
	return out, nil
}

// appendMember writes a member whose value is a text.
func appendMember(out []byte, name, value string) []byte {
	return appendText(appendName(out, name), value)
}

func appendName(out []byte, name string) []byte { return append(appendText(out, name), ':') }

func appendText(out []byte, text string) []byte {
	quoted, err := jsontext.AppendQuote(out, text)
	if err != nil {
		quoted, _ = jsontext.AppendQuote(out, strings.ToValidUTF8(text, "")) // valid now
	}
	return quoted
}

// IfNoneExist is the condition under which a server that chooses ids creates x: that its identifier is not there yet.
func IfNoneExist(n Names, x Write) string {
	system := map[string]string{"Flag": n.FlagSystem(), "Task": n.TaskSystem(), "Device": n.DeviceSystem()}[x.Type]
	if system == "" {
		return ""
	}
	return "identifier=" + system + "|" + x.Key
}

// ReplaceReference puts a reference in the place of another one, wherever it stands as a whole string.
func ReplaceReference(body []byte, from, to string) []byte {
	return []byte(strings.ReplaceAll(string(body), `"`+from+`"`, `"`+to+`"`))
}

// WithoutID is a resource without its id, for a server that chooses it.
func WithoutID(body []byte) ([]byte, error) {
	o, err := parseObject(body)
	if err != nil {
		return nil, err
	}
	o.set("id", nil)
	return o.bytes(), nil
}
