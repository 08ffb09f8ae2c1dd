package worker

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/fhirhttp"
)

// targetsAtOnce bounds how many of our resources one search for their Provenances names.
const targetsAtOnce = 20

// repairProvenance writes the Provenances that are missing because a worker was stopped between single writes. A server with
// transactions loses none, and is not asked.
func (w *Worker) repairProvenance(ctx context.Context, writer fhirmap.Writer, r *reading) error {
	c, err := w.fhir.Capability(ctx)
	if err != nil {
		return fmt.Errorf("read the server's capability: %w", err)
	}
	t := c.Types["Provenance"]
	if w.cfg.Mode == Shadow || w.transactions(c) || !t.Create && !t.Update || !t.Searches("target") {
		return nil
	}
	var refs []string
	for _, s := range r.standing {
		refs = append(refs, s.Type+"/"+s.ID)
	}
	recorded := fhirmap.Recorded{}
	for part := range slices.Chunk(refs, targetsAtOnce) {
		err := w.fhir.Pages(ctx, "Provenance?target="+strings.Join(part, ",")+"&_count="+pageSize, func(a fhirhttp.Answer) (string, error) {
			return recorded.Add(a.Body)
		})
		if err != nil {
			return fmt.Errorf("search own Provenances: %w", err)
		}
	}
	missing, err := writer.Missing(r.patient, r.standing, recorded)
	if err != nil {
		return err
	}
	_, err = w.writeSingly(ctx, missing, clientIDs(c))
	return err
}
