package fhirmap

import (
	"fmt"
	"slices"
	"strconv"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// patchStep is one operation of a JSON Patch (RFC 6902).
type patchStep struct {
	Op    string `json:"op"`
	Path  string `json:"path"`
	Value any    `json:"value,omitzero"`
}

const supportingInformation = "/supportingInformation"

// LinkPatch is the JSON Patch that makes an appointment's supportingInformation point to the Flags wanted, and to no other of own:
// everything else of the appointment, what others put there included, is neither named nor written. It holds for the version that
// was read only. It is nil where nothing is to change, or where the server gives the appointment no version.
func LinkPatch(appointment []byte, own, wanted []string) ([]byte, error) {
	var a struct {
		Meta                  metaJSON         `json:"meta"`
		SupportingInformation []jsontext.Value `json:"supportingInformation"`
	}
	if err := json.Unmarshal(appointment, &a, faultyInside); err != nil {
		return nil, fmt.Errorf("link flags in the appointment: %w", errJSON(err))
	}
	steps := []patchStep{{Op: "test", Path: "/meta/versionId", Value: a.Meta.VersionID}}
	var linked []string
	left := len(a.SupportingInformation)
	for i, raw := range slices.Backward(a.SupportingInformation) {
		var ref referenceJSON
		_ = json.Unmarshal(raw, &ref, faultyInside) // a link that cannot be read is none of ours
		flag := bareReference(ref.Reference)
		switch {
		case !slices.Contains(own, flag):
		case slices.Contains(wanted, flag) && !slices.Contains(linked, flag):
			linked = append(linked, flag)
		default:
			steps = append(steps, patchStep{Op: "remove", Path: supportingInformation + "/" + strconv.Itoa(i)})
			left--
		}
	}
	if left == 0 && len(a.SupportingInformation) > 0 {
		// FHIR knows no empty list.
		steps = append(steps[:1], patchStep{Op: "remove", Path: supportingInformation})
	}
	for _, flag := range wanted {
		if slices.Contains(linked, flag) {
			continue
		}
		link := map[string]string{"reference": flag}
		if left == 0 {
			steps = append(steps, patchStep{Op: "add", Path: supportingInformation, Value: []any{link}})
		} else {
			steps = append(steps, patchStep{Op: "add", Path: supportingInformation + "/-", Value: link})
		}
		left++
	}
	if len(steps) == 1 || a.Meta.VersionID == "" {
		return nil, nil
	}
	return json.Marshal(steps)
}
