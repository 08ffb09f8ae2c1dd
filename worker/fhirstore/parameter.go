package fhirstore

import (
	"maps"
	"slices"
	"strings"
)

// parameter is one search parameter of a resource type: where its values stand in the resource, and how they compare.
type parameter struct {
	name string
	kind kind
	// paths to the values, arrays passed through; a last element ending in [x] stands for its types of this kind.
	paths  []string
	target string // only references to this type; empty = any
}

type kind string

const (
	tokenKind     kind = "token"
	referenceKind kind = "reference"
	dateKind      kind = "date"
)

func token(name string, paths ...string) parameter {
	return parameter{name: name, kind: tokenKind, paths: paths}
}

func date(name string, paths ...string) parameter {
	return parameter{name: name, kind: dateKind, paths: paths}
}

func reference(name string, paths ...string) parameter {
	return parameter{name: name, kind: referenceKind, paths: paths}
}

func referenceTo(target, name string, paths ...string) parameter {
	return parameter{name: name, kind: referenceKind, paths: paths, target: target}
}

// about are the parameters for the patient or other subject that a record is about.
func about(path string) []parameter {
	return []parameter{referenceTo("Patient", "patient", path), reference("subject", path)}
}

func each(groups ...[]parameter) []parameter { return slices.Concat(groups...) }

func list(ps ...parameter) []parameter { return ps }

var (
	identifier = token("identifier", "identifier")
	status     = token("status", "status")
	code       = token("code", "code")
	category   = token("category", "category")
	drug       = list(identifier, status, token("code", "medication[x]"), reference("medication", "medication[x]"))
)

// parameters are the resource types that the store knows, with the search parameters it offers for each besides _id,
// _lastUpdated and _tag. Source: the SearchParameter definitions of FHIR R4 4.0.1, checked in TestParametersAreTheStandards.
var parameters = map[string][]parameter{
	"AllergyIntolerance": list(
		referenceTo("Patient", "patient", "patient"), identifier, token("code", "code", "reaction.substance"), category,
		token("clinical-status", "clinicalStatus"), token("verification-status", "verificationStatus"), date("date", "recordedDate")),
	"Appointment": list(
		referenceTo("Patient", "patient", "participant.actor"), reference("actor", "participant.actor"),
		referenceTo("Practitioner", "practitioner", "participant.actor"), referenceTo("Location", "location", "participant.actor"),
		date("date", "start"), status, identifier, token("service-type", "serviceType"), token("specialty", "specialty"),
		reference("based-on", "basedOn"), reference("slot", "slot")),
	"AppointmentResponse": list(referenceTo("Patient", "patient", "actor"), reference("actor", "actor"), reference("appointment", "appointment"), identifier),
	"AuditEvent":          list(referenceTo("Patient", "patient", "agent.who", "entity.what"), reference("entity", "entity.what"), date("date", "recorded")),
	"Basic":               each(about("subject"), list(identifier, code)),
	"BodyStructure":       list(referenceTo("Patient", "patient", "patient"), identifier, token("location", "location")),
	"Bundle":              list(identifier),
	"CapabilityStatement": list(status),
	"CarePlan":            each(about("subject"), list(identifier, status, category)),
	"Communication":       each(about("subject"), list(identifier, status)),
	"CommunicationRequest": each(about("subject"),
		list(identifier, status)),
	"Composition": each(about("subject"), list(identifier, status)),
	"Condition": each(about("subject"), list(identifier, code, category, token("body-site", "bodySite"),
		token("clinical-status", "clinicalStatus"), token("verification-status", "verificationStatus"),
		date("onset-date", "onset[x]"), date("recorded-date", "recordedDate"))),
	"Consent":       list(referenceTo("Patient", "patient", "patient"), identifier, status),
	"DetectedIssue": list(referenceTo("Patient", "patient", "patient"), identifier, code, date("identified", "identified[x]")),
	"Device":        list(referenceTo("Patient", "patient", "patient"), identifier, status, token("type", "type")),
	"DeviceRequest": each(about("subject"), list(identifier, status)),
	"DeviceUseStatement": each(about("subject"),
		list(identifier, reference("device", "device"))),
	"DiagnosticReport":  each(about("subject"), list(identifier, status, code, date("date", "effective[x]"))),
	"DocumentReference": each(about("subject"), list(identifier, status, date("date", "date"))),
	"Encounter":         each(about("subject"), list(identifier, status, date("date", "period"))),
	"EpisodeOfCare":     list(referenceTo("Patient", "patient", "patient"), identifier, status),
	"FamilyMemberHistory": list(referenceTo("Patient", "patient", "patient"),
		identifier, status),
	"Flag":              each(about("subject"), list(identifier, date("date", "period"), reference("author", "author"), reference("encounter", "encounter"))),
	"Goal":              each(about("subject"), list(identifier)),
	"Group":             list(identifier, code, reference("member", "member.entity")),
	"GuidanceResponse":  each(about("subject"), list(identifier)),
	"HealthcareService": list(identifier),
	"ImagingStudy":      each(about("subject"), list(identifier, status)),
	"Immunization":      list(referenceTo("Patient", "patient", "patient"), identifier, status),
	"Linkage":           list(reference("item", "item.resource")),
	"List":              each(about("subject"), list(identifier, status, code)),
	"Location":          list(identifier, status),
	"Medication":        list(identifier, status, code),
	"MedicationAdministration": each(about("subject"), drug,
		list(date("effective-time", "effective[x]"), reference("request", "request"))),
	"MedicationDispense": each(about("subject"), drug,
		list(date("whenhandedover", "whenHandedOver"), date("whenprepared", "whenPrepared"), reference("prescription", "authorizingPrescription"))),
	"MedicationRequest": each(about("subject"), drug,
		list(date("authoredon", "authoredOn"), token("intent", "intent"), category)),
	"MedicationStatement": each(about("subject"), drug, list(date("effective", "effective[x]"), category)),
	"MessageHeader":       list(token("event", "event[x]")),
	"Observation": each(about("subject"), list(identifier, status, code, category, date("date", "effective[x]"),
		reference("based-on", "basedOn"), reference("has-member", "hasMember"), reference("derived-from", "derivedFrom"))),
	"OperationOutcome": nil,
	"Organization":     list(identifier),
	"Patient":          list(identifier, token("active", "active"), reference("link", "link.other"), date("birthdate", "birthDate")),
	"Person":           list(identifier, referenceTo("Patient", "patient", "link.target"), reference("link", "link.target")),
	"Practitioner":     list(identifier),
	"PractitionerRole": list(identifier, reference("practitioner", "practitioner"), reference("organization", "organization")),
	"Procedure": each(about("subject"), list(identifier, status, code, category, date("date", "performed[x]"),
		reference("based-on", "basedOn"), reference("part-of", "partOf"))),
	"Provenance": list(reference("target", "target"), referenceTo("Patient", "patient", "target"), date("recorded", "recorded"),
		reference("agent", "agent.who"), reference("entity", "entity.what")),
	"Questionnaire":         list(identifier, status),
	"QuestionnaireResponse": each(about("subject"), list(identifier, status)),
	"RelatedPerson":         list(referenceTo("Patient", "patient", "patient"), identifier),
	"RiskAssessment":        each(about("subject"), list(identifier, date("date", "occurrence[x]"))),
	"Schedule":              list(identifier, reference("actor", "actor")),
	"ServiceRequest": each(about("subject"), list(identifier, status, code, category, token("intent", "intent"),
		date("authored", "authoredOn"), date("occurrence", "occurrence[x]"), token("body-site", "bodySite"))),
	"Slot":         list(identifier, status, reference("schedule", "schedule"), date("start", "start")),
	"Specimen":     each(about("subject"), list(identifier, status)),
	"Subscription": list(status, token("type", "channel.type")),
	"Task": each(about("for"), list(identifier, status, code, reference("focus", "focus"), reference("owner", "owner"),
		reference("requester", "requester"), reference("based-on", "basedOn"), token("intent", "intent"), token("performer", "performerType"),
		token("business-status", "businessStatus"), date("authored-on", "authoredOn"), date("modified", "lastModified"), date("period", "executionPeriod"))),
	"VisionPrescription": list(referenceTo("Patient", "patient", "patient"), identifier, status),
}

// knownTypes are the types of parameters in alphabetical order.
var knownTypes = slices.Sorted(maps.Keys(parameters))

func findParameter(typ, name string) (parameter, bool) {
	for _, p := range parameters[typ] {
		if p.name == name {
			return p, true
		}
	}
	return parameter{}, false
}

// coded is one value of a token parameter. system is empty where the element has none or implies it, as a status does.
type coded struct{ system, value string }

// facts are the values of one resource by the name of its search parameters.
type facts struct {
	tokens     map[string][]coded
	references map[string][]string
	times      map[string][]span
}

const tagParameter = "_tag"

// factsOf reads from a decoded resource what can be searched. An element of a wrong kind counts as absent.
func factsOf(typ string, resource map[string]any) facts {
	f := facts{map[string][]coded{}, map[string][]string{}, map[string][]span{}}
	for _, p := range parameters[typ] {
		for _, v := range p.values(resource) {
			switch p.kind {
			case tokenKind:
				f.tokens[p.name] = append(f.tokens[p.name], codedOf(v)...)
			case referenceKind:
				if r, ok := referenceOf(v, p.target); ok {
					f.references[p.name] = append(f.references[p.name], r)
				}
			case dateKind:
				if s, ok := spanOf(v); ok {
					f.times[p.name] = append(f.times[p.name], s)
				}
			}
		}
	}
	for _, tag := range walk(resource, []string{"meta", "tag"}, nil) {
		f.tokens[tagParameter] = append(f.tokens[tagParameter], codedOf(tag)...)
	}
	return f
}

func (p parameter) values(resource map[string]any) []any {
	var out []any
	for _, path := range p.paths {
		base, choice := strings.CutSuffix(path, "[x]")
		if !choice {
			out = walk(resource, strings.Split(path, "."), out)
			continue
		}
		for _, suffix := range choices[p.kind] {
			out = walk(resource, []string{base + suffix}, out)
		}
	}
	return out
}

// choices are the types of a choice element that a parameter of this kind reads.
var choices = map[kind][]string{
	tokenKind:     {"CodeableConcept", "Coding"},
	referenceKind: {"Reference"},
	dateKind:      {"DateTime", "Period", "Instant", "Date"},
}

func walk(v any, path []string, out []any) []any {
	switch v := v.(type) {
	case []any:
		for _, e := range v {
			out = walk(e, path, out)
		}
		return out
	case map[string]any:
		if len(path) > 0 {
			return walk(v[path[0]], path[1:], out)
		}
	}
	if v != nil && len(path) == 0 {
		return append(out, v)
	}
	return out
}

// codedOf reads a code, boolean, Coding, CodeableConcept or Identifier.
func codedOf(v any) []coded {
	switch v := v.(type) {
	case string:
		return []coded{{"", v}}
	case bool:
		if v {
			return []coded{{"", "true"}}
		}
		return []coded{{"", "false"}}
	case map[string]any:
		if codings, ok := v["coding"].([]any); ok {
			var out []coded
			for _, c := range codings {
				out = append(out, codedOf(c)...)
			}
			return out
		}
		system, _ := v["system"].(string)
		for _, name := range []string{"code", "value"} {
			if value, ok := v[name].(string); ok {
				return []coded{{system, value}}
			}
		}
	}
	return nil
}

// referenceOf reads a Reference as "Type/id" or as the URL it gives, without a version. A reference inside the resource, by
// identifier only, or to another type than wanted does not count.
func referenceOf(v any, target string) (string, bool) {
	m, _ := v.(map[string]any)
	r, _ := m["reference"].(string)
	if r == "" || r[0] == '#' {
		return "", false
	}
	r, _, _ = strings.Cut(r, "/_history/")
	if parts := strings.Split(r, "/"); target != "" && (len(parts) < 2 || parts[len(parts)-2] != target) {
		return "", false
	}
	return r, true
}
