package worker

import (
	"slices"
	"strings"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
)

// serviceMatch tells lens operations from other appointments: the site's own codes and words first, then the catalogue's.
type serviceMatch struct {
	codes         []string // system|code
	text, notText []string // lower case
	catalogue     *rules.Catalogue
	unrecognised  bool // assess what nobody recognises
}

func newServiceMatch(cfg Config, c *rules.Catalogue) serviceMatch {
	lower := func(in []string) (out []string) {
		for _, s := range in {
			out = append(out, strings.ToLower(s))
		}
		return out
	}
	return serviceMatch{
		codes: cfg.OperationCodes, text: lower(cfg.OperationText), notText: lower(cfg.OperationNotText),
		catalogue: c, unrecognised: cfg.OperationUnrecognised == "assess",
	}
}

// recognise says what an appointment is; unclear means that no rule knows it.
func (m serviceMatch) recognise(concepts []rules.Concept) rules.Recognition {
	for _, c := range concepts {
		for _, k := range c.Codes {
			if slices.Contains(m.codes, k.System+"|"+k.Code) {
				return rules.IsOperation
			}
		}
	}
	says := func(words []string) bool {
		return slices.ContainsFunc(concepts, func(c rules.Concept) bool {
			text := strings.ToLower(c.Text)
			for _, k := range c.Codes {
				text += "\n" + strings.ToLower(k.Display)
			}
			return slices.ContainsFunc(words, func(w string) bool { return strings.Contains(text, w) })
		})
	}
	switch {
	case says(m.notText):
		return rules.IsNot
	case says(m.text):
		return rules.IsOperation
	default:
		return m.catalogue.Service(concepts)
	}
}

// isOperation decides whether an appointment is assessed, and counts one that no rule recognises.
func (w *Worker) isOperation(a fhirmap.Appointment) bool {
	switch w.services.recognise(a.Concepts) {
	case rules.IsOperation:
		return true
	case rules.IsNot:
		return false
	default:
		system := "text"
		if slices.ContainsFunc(a.Concepts, func(c rules.Concept) bool { return len(c.Codes) > 0 }) {
			system = "coded"
		}
		w.metrics.unknownService.WithLabelValues(system).Inc()
		return w.services.unrecognised
	}
}
