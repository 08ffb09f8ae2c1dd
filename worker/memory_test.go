package worker

import (
	"bufio"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
)

// hugePage writes a page of so many Observations that is about so many bytes long, without ever holding it.
func hugePage(w io.Writer, patient string, page, resources, bytes int, next string) {
	out := bufio.NewWriterSize(w, 1<<16)
	defer out.Flush() //nolint:errcheck // the client has gone
	fmt.Fprint(out, `{"resourceType":"Bundle","type":"searchset",`)
	if next != "" {
		fmt.Fprintf(out, `"link":[{"relation":"next","url":%q}],`, next)
	}
	fmt.Fprint(out, `"entry":[`)
	note := strings.Repeat("n", max(bytes/resources-300, 1))
	for i := range resources {
		if i > 0 {
			fmt.Fprint(out, ",")
		}
		fmt.Fprintf(out, `{"resource":{"resourceType":"Observation","id":"o%d-%d","status":"final","code":{"text":"body weight"},"subject":{"reference":"Patient/%s"},"effectiveDateTime":"2020-01-01","valueQuantity":{"value":70,"unit":"kg"},"note":[{"text":"%s"}]},"search":{"mode":"match"}}`, page, i, patient, note)
	}
	fmt.Fprint(out, `]}`)
}

// Patients with 50,000 resources in pages of 64 MiB, as many at once as there are lanes, are assessed within a bounded heap.
// Without PUPILRISK_LOAD the pages are a tenth of that, and the resources fewer.
func TestMemoryIsBoundedWithHugeRecords(t *testing.T) {
	const lanes, patients = 8, 8
	pages, resources, size, bound := 8, 500, 6_400_000, uint64(300<<20)
	if os.Getenv("PUPILRISK_LOAD") != "" {
		pages, resources, size, bound = 3, 16_667, 64_000_000, uint64(1000<<20)
	}
	c := newClinic(t, fhirstore.DefaultOptions())
	for i := range patients {
		p := fmt.Sprint("p", i)
		other := strings.NewReplacer("bob", p, `"m1"`, `"m`+p+`"`, `"a1"`, `"a`+p+`"`)
		c.put(other.Replace(bob), other.Replace(bobTook), other.Replace(bobsBooking))
	}
	var served atomic.Int64
	huge := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		patient, ok := strings.CutPrefix(r.URL.Query().Get("patient"), "Patient/")
		if r.URL.Path != "/fhir/Observation" || !ok {
			c.store.ServeHTTP(w, r)
			return
		}
		page, next := 1, ""
		_, _ = fmt.Sscan(r.URL.Query().Get("page"), &page)
		if page < pages {
			next = fmt.Sprintf("http://%s/fhir/Observation?patient=Patient/%s&page=%d", r.Host, patient, page+1)
		}
		w.Header().Set("Content-Type", "application/fhir+json")
		hugePage(w, patient, page, resources, size, next)
		served.Add(1)
	}))
	t.Cleanup(huge.Close)
	c.url = huge.URL + "/fhir"
	c.set = func(cfg *Config) {
		cfg.FHIRBatch, cfg.Concurrency, cfg.SweepHorizon, cfg.FHIRTimeout = "off", lanes, 0, time.Minute
	}
	w := c.worker()
	runtime.GC()
	debug.FreeOSMemory()
	var before runtime.MemStats
	runtime.ReadMemStats(&before)
	var peak atomic.Uint64
	done := make(chan struct{})
	var sampling sync.WaitGroup
	sampling.Go(func() {
		for tick := time.NewTicker(10 * time.Millisecond); ; {
			var now runtime.MemStats
			runtime.ReadMemStats(&now)
			peak.Store(max(peak.Load(), now.HeapInuse))
			select {
			case <-done:
				tick.Stop()
				return
			case <-tick.C:
			}
		}
	})
	begun := time.Now()
	c.run(func() {
		for i := range patients {
			c.publish("clinic.booking.x", fmt.Sprintf(`{"reference":"Appointment/ap%d"}`, i), "")
		}
		require.Eventually(t, func() bool { return len(c.all("Flag", `"active"`)) == patients }, 5*time.Minute, 10*time.Millisecond)
	}, w)
	close(done)
	sampling.Wait()
	require.GreaterOrEqual(t, served.Load(), int64(pages*patients))
	t.Logf("%d patients with %d resources in %d MB each: %s, at most %d MiB of heap (%d before)",
		patients, pages*resources, pages*size/1_000_000, time.Since(begun).Round(time.Millisecond), peak.Load()>>20, before.HeapInuse>>20)
	require.Less(t, peak.Load(), before.HeapInuse+bound)
}

// What is remembered of a patient between two passes holds nothing of the pages that the record was read from.
func TestRecordsReadAreLetGo(t *testing.T) {
	const patients, size = 40, 1_000_000
	c := newClinic(t, fhirstore.DefaultOptions())
	for i := range patients {
		p := fmt.Sprint("p", i)
		other := strings.NewReplacer("bob", p, `"m1"`, `"m`+p+`"`, `"a1"`, `"a`+p+`"`)
		c.put(other.Replace(bob), other.Replace(bobTook), other.Replace(bobsBooking), fmt.Sprintf(`{"resourceType":"Observation","id":"o%s","status":"final","code":{"text":"body weight"},`+
			`"subject":{"reference":"Patient/%s"},"effectiveDateTime":"2020-01-01","valueQuantity":{"value":70,"unit":"kg"},"note":[{"text":"%s"}]}`, p, p, strings.Repeat("n", size)))
	}
	w := c.worker()
	inUse := func() uint64 {
		for range 3 { // what pools hold goes with the second
			runtime.GC()
		}
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	before := inUse()
	for i := range patients {
		_, err := w.pass(t.Context(), fmt.Sprint("Patient/p", i), nudge{}, false)
		require.NoError(t, err)
	}
	require.Len(t, c.all("Flag", `"active"`), patients)
	require.Less(t, inUse(), before+patients*size/4)
	require.Len(t, w.outcomes.of, patients)
}
