package worker

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/nats-io/nats.go/jetstream"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/fhirhttp"
)

// Buckets of the key-value store.
const (
	shadowBucket = "CLINIC_SHADOW" // by patient: what shadow mode would have written
	leaseBucket  = "CLINIC_LEASES" // by patient: who writes, where the server chooses ids
)

// leaseTime bounds how long a crashed worker keeps others from a patient.
const leaseTime = 30 * time.Second

// bucketTimeout bounds one request to a bucket: the answer of a server that was killed never comes, and a pass must not wait for it as
// long as it may wait for the FHIR server.
const bucketTimeout = 5 * time.Second

// bucket opens a bucket, once (twice at once does no harm); forget makes the next one look again.
func (w *Worker) bucket(ctx context.Context, name string, ttl time.Duration) (jetstream.KeyValue, error) {
	if kv, ok := w.buckets.Load(name); ok {
		return kv.(jetstream.KeyValue), nil
	}
	ctx, cancel := context.WithTimeout(ctx, bucketTimeout)
	defer cancel()
	kv, err := w.stream.Bucket(ctx, name, ttl)
	if err != nil {
		return nil, fmt.Errorf("open bucket %s: %w", name, err)
	}
	w.buckets.Store(name, kv)
	return kv, nil
}

// forget drops an opened bucket after a failure: it may have been deleted under us.
func (w *Worker) forget(name string) { w.buckets.Delete(name) }

// clientIDs reports that the server lets us choose the ids of Flags and Tasks (update as create).
func clientIDs(c fhirhttp.Capability) bool {
	return c.Types["Flag"].UpdateCreate && c.Types["Task"].UpdateCreate
}

// transactions reports that sets of writes go to the server as transactions.
func (w *Worker) transactions(c fhirhttp.Capability) bool {
	return c.Transaction && w.cfg.FHIRTransaction != "off"
}

func (w *Worker) clientIDs() bool {
	// A capability once read is kept by the client; without one nothing has been read and nothing is written.
	c, err := w.fhir.Capability(context.Background())
	return err == nil && clientIDs(c)
}

// write carries a plan out: in live mode to the FHIR server, in shadow mode into the bucket.
func (w *Worker) write(ctx context.Context, writer fhirmap.Writer, r *reading, s fhirmap.Situation, plan fhirmap.Plan) (placed, error) {
	if w.cfg.Mode == Shadow {
		return nil, w.writeShadow(ctx, r, plan)
	}
	if r.record.Patient().Test {
		return nil, nil // labelled as test data: nothing of it belongs in a real schedule
	}
	return w.send(ctx, writer, s.Patient, plan.Writes, s.At)
}

// send carries writes about one patient out, with their Provenance: in one transaction where the server takes it, else singly.
func (w *Worker) send(ctx context.Context, writer fhirmap.Writer, patient string, writes []fhirmap.Write, at time.Time) (_ placed, err error) {
	ctx, span := startSpan(ctx, spanWrite)
	countWrites(span, writes)
	defer func() { endSpan(span, err) }()
	capability, err := w.fhir.Capability(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the server's capability: %w", err)
	}
	return w.sendParts(ctx, capability, writer, patient, fhirmap.SafeOrder(writes), at)
}

// placed tells where a server that chooses the ids has put what we wrote: our reference → its own.
type placed map[string]string

// in puts the server's references into the bodies of what is still to be written.
func (p placed) in(writes []fhirmap.Write) {
	for from, to := range p {
		for i := range writes {
			writes[i].Body = fhirmap.ReplaceReference(writes[i].Body, from, to)
		}
	}
}

// sendParts sends writes, which stand in the safe order, in one transaction, or in parts where that is too large: the Flags first.
// Each part is complete in itself, with its Provenance: what a crash between two leaves undone is a difference to the next pass.
func (w *Worker) sendParts(ctx context.Context, c fhirhttp.Capability, writer fhirmap.Writer, patient string, writes []fhirmap.Write, at time.Time) (placed, error) {
	set := writes
	if c.Types["Provenance"].Create || c.Types["Provenance"].Update || len(c.Types) == 0 {
		provenance, err := writer.Provenance(patient, writes, at)
		if err != nil {
			return nil, err
		}
		set = append(slices.Clip(writes), provenance)
	}
	limit := w.cfg.FHIRTransactionLimit
	if w.transactions(c) && (limit == 0 || len(set) <= limit) {
		at, err := w.transact(ctx, set, clientIDs(c))
		switch {
		case fhirhttp.KindOf(err) != fhirhttp.Refused:
			return at, err
		case tooLarge(err):
			w.once.log(w.log, slog.LevelWarn, "transaction refused as too large, sending it in parts; fhir.transaction_limit would spare the attempt")
		default:
			w.once.log(w.log, slog.LevelWarn, "transaction refused, writing one by one")
			return w.writeSingly(ctx, set, clientIDs(c))
		}
	}
	if !w.transactions(c) || len(writes) == 1 {
		return w.writeSingly(ctx, set, clientIDs(c))
	}
	flags := slices.IndexFunc(writes, func(x fhirmap.Write) bool { return x.Type != "Flag" })
	cut := len(writes) / 2
	switch {
	case flags > 0:
		cut = flags
	case limit > 0 && len(writes) >= limit:
		cut = limit - 1
	}
	first, err := w.sendParts(ctx, c, writer, patient, writes[:cut], at)
	if err != nil {
		return nil, err
	}
	rest := slices.Clone(writes[cut:])
	first.in(rest)
	second, err := w.sendParts(ctx, c, writer, patient, rest, at)
	maps.Copy(first, second)
	return first, err
}

// tooLarge reports that the server would take fewer entries.
func tooLarge(err error) bool {
	e, ok := errors.AsType[*fhirhttp.Error](err)
	return ok && (e.Status == http.StatusRequestEntityTooLarge || slices.Contains(e.Issues, "too-costly") || slices.Contains(e.Issues, "too-long"))
}

func (w *Worker) transact(ctx context.Context, writes []fhirmap.Write, ids bool) (placed, error) {
	bundle, err := fhirmap.Transaction(w.writer.Names, writes, ids)
	if err != nil {
		return nil, err
	}
	answers, err := w.fhir.Transaction(ctx, bundle, len(writes))
	if err != nil {
		return nil, fmt.Errorf("write: %w", err)
	}
	for _, a := range answers {
		if a.Err != nil {
			return nil, fmt.Errorf("write: %w", a.Err)
		}
	}
	w.count(w.metrics.writes, writes)
	at := placed{}
	for i, x := range writes {
		if err := at.put(x, answers[i], ids); err != nil {
			return nil, err
		}
	}
	return at, nil
}

// put keeps where x was created, if the server chose the place.
func (p placed) put(x fhirmap.Write, a fhirhttp.Answer, ids bool) error {
	if ids || x.Change != fhirmap.Create || x.Type == "Provenance" {
		return nil
	}
	ref, err := resourceAt(a)
	if err != nil {
		return fmt.Errorf("write %s: %w", x.Type, err)
	}
	p[x.Type+"/"+x.ID] = ref
	return nil
}

// writeSingly writes in a safe order: a crash in between leaves no Task that points to a Flag which is not there.
func (w *Worker) writeSingly(ctx context.Context, writes []fhirmap.Write, ids bool) (placed, error) {
	todo, at := fhirmap.SafeOrder(writes), placed{}
	for i, x := range todo {
		a, err := w.writeOne(ctx, x, ids)
		if err != nil {
			return nil, fmt.Errorf("write %s: %w", x.Type, err)
		}
		w.count(w.metrics.writes, todo[i:i+1])
		if err := at.put(x, a, ids); err != nil {
			return nil, err
		}
		at.in(todo[i+1:])
	}
	return at, nil
}

func (w *Worker) writeOne(ctx context.Context, x fhirmap.Write, ids bool) (fhirhttp.Answer, error) {
	switch {
	case x.Change != fhirmap.Create:
		ifMatch := ""
		if x.Version != "" {
			ifMatch = `W/"` + x.Version + `"`
		}
		return w.fhir.Write(ctx, http.MethodPut, x.Type+"/"+x.ID, x.Body, ifMatch, "")
	case ids && x.OnlyIfNone():
		return w.fhir.Write(ctx, http.MethodPut, x.Type+"/"+x.ID, x.Body, "", "*")
	case ids:
		return w.fhir.Write(ctx, http.MethodPut, x.Type+"/"+x.ID, x.Body, "", "")
	default:
		body, err := fhirmap.WithoutID(x.Body)
		if err != nil {
			return fhirhttp.Answer{}, err
		}
		return w.fhir.Write(ctx, http.MethodPost, x.Type, body, "", fhirmap.IfNoneExist(w.writer.Names, x))
	}
}

// author is the reference of the Device that is author of everything: the site's own, or ours, which in live mode is seen
// to exist once before anything points to it.
func (w *Worker) author(ctx context.Context) (string, error) {
	w.deviceLock.Lock()
	defer w.deviceLock.Unlock()
	if w.device != "" {
		return w.device, nil
	}
	x, err := fhirmap.DeviceResource(w.writer.Names, w.version)
	if err != nil {
		return "", err
	}
	ref := "Device/" + x.ID
	capability, err := w.fhir.Capability(ctx)
	if err != nil {
		return "", fmt.Errorf("read the server's capability: %w", err)
	}
	switch {
	case w.cfg.FHIRDevice != "":
		ref = w.cfg.FHIRDevice
	case w.cfg.Mode == Shadow:
	case !offered(capability, "Device"):
		w.once.log(w.log, slog.LevelWarn, "the server holds no Device; what is written names one that nobody can read")
	case capability.Types["Device"].UpdateCreate:
		_, err := w.fhir.Read(ctx, ref)
		if fhirhttp.KindOf(err) == fhirhttp.Gone {
			_, err = w.writeOne(ctx, x, true)
			w.count(w.metrics.writes, []fhirmap.Write{x})
		}
		if err != nil {
			return "", fmt.Errorf("write Device: %w", err)
		}
	default:
		a, err := w.writeOne(ctx, x, false)
		if err != nil {
			return "", fmt.Errorf("write Device: %w", err)
		}
		if ref, err = resourceAt(a); err != nil {
			return "", fmt.Errorf("write Device: %w", err)
		}
	}
	w.device = ref
	return ref, nil
}

// resourceAt is the reference of a resource that the server gave an id to.
func resourceAt(a fhirhttp.Answer) (string, error) {
	if parts := strings.Split(a.Location, "/"); len(parts) > 1 {
		return parts[0] + "/" + parts[1], nil
	}
	var r struct {
		ResourceType string `json:"resourceType"`
		ID           string `json:"id"`
	}
	if err := json.Unmarshal(a.Body, &r); err != nil || r.ID == "" {
		return "", errors.New("the server does not say under which id it created")
	}
	return r.ResourceType + "/" + r.ID, nil
}

// shadowRecord is what shadow mode keeps of one patient.
type shadowRecord struct {
	Resources map[string]jsontext.Value `json:"resources"` // Type/id → resource
}

// shadowKey hides the patient id from the names of the bucket's keys.
func shadowKey(patient string) string {
	sum := sha256.Sum256([]byte(patient))
	return hex.EncodeToString(sum[:16])
}

// shadowStanding lets the same comparison run in shadow mode against what it would have written before, so that nothing is
// counted twice.
func (w *Worker) shadowStanding(ctx context.Context, r *reading) error {
	if w.cfg.Mode != Shadow {
		return nil
	}
	rec, _, err := w.readShadow(ctx, r.patient)
	if err != nil {
		return err
	}
	for ref, raw := range rec.Resources {
		s, ours, err := fhirmap.ParseStanding(w.writer.Names, raw)
		if err != nil || !ours {
			continue // of an older version: it is derived afresh
		}
		r.direct[ref] = http.StatusOK
		// What live mode wrote stands in the record too: the shadow goes on from there, unless a person changed it.
		switch i := slices.IndexFunc(r.standing, func(o fhirmap.Standing) bool { return o.Type+"/"+o.ID == ref }); {
		case i < 0:
			r.standing = append(r.standing, s)
		case !r.standing[i].Touched:
			r.standing[i] = s
		}
	}
	return nil
}

func (w *Worker) readShadow(ctx context.Context, patient string) (shadowRecord, jetstream.KeyValue, error) {
	rec := shadowRecord{Resources: map[string]jsontext.Value{}}
	kv, err := w.bucket(ctx, shadowBucket, 0)
	if err != nil {
		return rec, nil, err
	}
	e, err := kv.Get(ctx, shadowKey(patient))
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return rec, kv, nil
	}
	if err != nil {
		w.forget(shadowBucket)
		return rec, kv, fmt.Errorf("read the shadow bucket: %w", err)
	}
	if err := json.Unmarshal(e.Value(), &rec); err != nil || rec.Resources == nil {
		rec.Resources = map[string]jsontext.Value{}
	}
	return rec, kv, nil
}

func (w *Worker) writeShadow(ctx context.Context, r *reading, plan fhirmap.Plan) error {
	rec, kv, err := w.readShadow(ctx, r.patient)
	if err != nil {
		return err
	}
	for _, x := range plan.Writes {
		rec.Resources[x.Type+"/"+x.ID] = x.Body
	}
	body, err := json.Marshal(rec)
	if err != nil {
		return fmt.Errorf("keep the shadow: %w", err)
	}
	if _, err := kv.Put(ctx, shadowKey(r.patient), body); err != nil {
		w.forget(shadowBucket)
		return fmt.Errorf("keep the shadow: %w", err)
	}
	w.count(w.metrics.wouldWrite, plan.Writes)
	return nil
}

// lease keeps other workers from the same patient where the server chooses the ids: there a creation is safe only after a
// search that nobody can overtake. Where we choose the ids no lease is needed.
func (w *Worker) lease(ctx context.Context, patient string) (release func(), err error) {
	c, err := w.fhir.Capability(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the server's capability: %w", err)
	}
	if w.cfg.Mode == Shadow || clientIDs(c) {
		return func() {}, nil
	}
	kv, err := w.bucket(ctx, leaseBucket, leaseTime)
	if err != nil {
		return nil, err
	}
	key := shadowKey(patient)
	for {
		rev, err := kv.Create(ctx, key, nil)
		if err == nil {
			return func() {
				// Past its time another worker may hold it: only our own revision is given back.
				ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
				defer cancel()
				_ = kv.Delete(ctx, key, jetstream.LastRevision(rev)) // else it ends by itself
			}, nil
		}
		if !errors.Is(err, jetstream.ErrKeyExists) {
			w.forget(leaseBucket)
			return nil, fmt.Errorf("take the lease: %w", err)
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-w.stopping: // the holder may be dead, and its lease outlast the grace time
			return nil, context.Canceled
		case <-time.After(jitter(200 * time.Millisecond)):
		}
	}
}
