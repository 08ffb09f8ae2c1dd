package fhirhttp

import (
	"context"
	"net/http"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
)

// Capability is what the server says it can do, as far as the worker asks.
type Capability struct {
	FHIRVersion string // 4.0.x
	Batch       bool
	Transaction bool
	Types       map[string]TypeCapability
}

// TypeCapability is what the server offers for one resource type.
type TypeCapability struct {
	Read, Search, Create, Update bool
	Patch                        bool
	UpdateCreate                 bool     // a PUT to an id that is not there creates it
	ConditionalCreate            bool     // If-None-Exist
	Versioning                   string   // no-version, versioned, versioned-update or ""
	SearchParams                 []string // sorted, those of all types included
}

// Searches says whether the server declares a search parameter, named without modifier. An undeclared one may be ignored, or find
// nothing, without a word.
func (t TypeCapability) Searches(parameter string) bool {
	_, found := slices.BinarySearch(t.SearchParams, parameter)
	return found
}

// Capability asks GET metadata once and remembers the answer. A server of another FHIR version than 4.0 is refused with
// ErrFHIRVersion.
func (c *Client) Capability(ctx context.Context) (Capability, error) {
	if have := c.capability.Load(); have != nil {
		return *have, nil
	}
	select {
	case c.capabilityTurn <- struct{}{}:
		defer func() { <-c.capabilityTurn }()
	case <-ctx.Done():
		return Capability{}, contextError(ctx, OpCapability)
	}
	if have := c.capability.Load(); have != nil {
		return *have, nil
	}
	return c.askCapability(ctx)
}

// Refresh asks the server again. What was known before stays if that fails.
func (c *Client) Refresh(ctx context.Context) (Capability, error) {
	select {
	case c.capabilityTurn <- struct{}{}:
		defer func() { <-c.capabilityTurn }()
	case <-ctx.Done():
		return Capability{}, contextError(ctx, OpCapability)
	}
	return c.askCapability(ctx)
}

func (c *Client) askCapability(ctx context.Context) (Capability, error) {
	u, err := c.at.below("metadata")
	if err != nil {
		return Capability{}, err
	}
	var have Capability
	_, err = c.exchange(ctx, request{operation: OpCapability, method: http.MethodGet, url: u}, func(r reply) (err error) {
		have, err = parseCapability(r.body)
		return err
	})
	if err != nil {
		return Capability{}, err
	}
	c.capability.Store(&have)
	c.batchRefused.Store(false)
	return have, nil
}

// parseCapability reads a CapabilityStatement of a FHIR R4 server.
func parseCapability(body []byte) (Capability, error) {
	type coded struct {
		Code string `json:"code"`
	}
	type named struct {
		Name string `json:"name"`
	}
	var s struct {
		ResourceType string `json:"resourceType"`
		FHIRVersion  string `json:"fhirVersion"`
		Rest         []struct {
			Mode        string  `json:"mode"`
			Interaction []coded `json:"interaction"`
			SearchParam []named `json:"searchParam"`
			Resource    []struct {
				Type              string  `json:"type"`
				Interaction       []coded `json:"interaction"`
				Versioning        string  `json:"versioning"`
				UpdateCreate      bool    `json:"updateCreate"`
				ConditionalCreate bool    `json:"conditionalCreate"`
				SearchParam       []named `json:"searchParam"`
			} `json:"resource"`
		} `json:"rest"`
	}
	if json.Unmarshal(body, &s, lenient) != nil || s.ResourceType != "CapabilityStatement" {
		return Capability{}, ErrNotFHIR
	}
	if !strings.HasPrefix(s.FHIRVersion, "4.0.") {
		return Capability{}, &Error{Operation: OpCapability, Status: http.StatusOK, kind: Refused, err: ErrFHIRVersion}
	}
	have := Capability{FHIRVersion: s.FHIRVersion, Types: map[string]TypeCapability{}}
	for _, rest := range s.Rest {
		if rest.Mode == "client" {
			continue
		}
		offers := func(code string, list []coded) bool { return slices.Contains(list, coded{code}) }
		have.Batch = have.Batch || offers("batch", rest.Interaction)
		have.Transaction = have.Transaction || offers("transaction", rest.Interaction)
		for _, r := range rest.Resource {
			t := TypeCapability{
				Read: offers("read", r.Interaction), Search: offers("search-type", r.Interaction),
				Create: offers("create", r.Interaction), Update: offers("update", r.Interaction), Patch: offers("patch", r.Interaction),
				UpdateCreate: r.UpdateCreate, ConditionalCreate: r.ConditionalCreate, Versioning: r.Versioning,
			}
			for _, p := range slices.Concat(rest.SearchParam, r.SearchParam) {
				t.SearchParams = append(t.SearchParams, p.Name)
			}
			slices.Sort(t.SearchParams)
			t.SearchParams = slices.Compact(t.SearchParams)
			have.Types[r.Type] = t
		}
	}
	return have, nil
}
