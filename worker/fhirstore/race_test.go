package fhirstore

import (
	"fmt"
	"strings"
	"sync"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/require"
)

const parallel = 20

// atOnce sends requests together and counts the statuses.
func atOnce(c client, request func(i int) (reply, error)) map[int]int {
	c.t.Helper()
	statuses := map[int]int{}
	var mu sync.Mutex
	var wg sync.WaitGroup
	begin := make(chan struct{})
	for i := range parallel {
		wg.Go(func() {
			<-begin
			r, err := request(i)
			mu.Lock()
			defer mu.Unlock()
			if err != nil {
				r.status = -1
			}
			statuses[r.status]++
		})
	}
	close(begin)
	wg.Wait()
	return statuses
}

func TestParallelUpdatesGetEachTheirVersion(t *testing.T) {
	c := start(t, DefaultOptions())
	got := atOnce(c, func(int) (reply, error) { return c.try("PUT", "Flag/a", flag("a", "p")) })
	require.Equal(t, map[int]int{201: 1, 200: parallel - 1}, got)
	for i, raw := range c.store.History("Flag/a") {
		require.Contains(t, string(raw), fmt.Sprintf(`"versionId":"%d"`, i+1))
	}
	require.Len(t, c.store.History("Flag/a"), parallel)
}

func TestOneOfParallelUpdatesOfTheSameVersionWins(t *testing.T) {
	for name, send := range map[string]func(c client) (reply, error){
		"single": func(c client) (reply, error) {
			return c.try("PUT", "Flag/a", flag("a", "p"), "If-Match", `W/"1"`)
		},
		"transaction": func(c client) (reply, error) {
			return c.try("POST", "", bundleOf("transaction", entry("PUT", "Flag/a", flag("a", "p"), "", `"ifMatch":"W/\"1\""`)))
		},
		"delete": func(c client) (reply, error) {
			r, err := c.try("DELETE", "Flag/a", "", "If-Match", `W/"1"`)
			if r.status == 204 {
				r.status = 200
			}
			return r, err
		},
	} {
		t.Run(name, func(t *testing.T) {
			c := start(t, DefaultOptions())
			c.put(flag("a", "p"))
			got := atOnce(c, func(int) (reply, error) { return send(c) })
			require.Equal(t, map[int]int{200: 1, 412: parallel - 1}, got)
			require.Len(t, c.store.History("Flag/a"), 2)
		})
	}
}

func TestParallelConditionalCreates(t *testing.T) {
	single := func(c client) (reply, error) {
		return c.try("POST", "Flag", flag("a", "p"), "If-None-Exist", "identifier=urn:f|a")
	}
	transaction := func(c client) (reply, error) {
		return c.try("POST", "", bundleOf("transaction", entry("POST", "Flag", flag("a", "p"), urnA, `"ifNoneExist":"identifier=urn:f|a"`)))
	}
	c := start(t, DefaultOptions())
	require.Equal(t, map[int]int{201: 1, 200: parallel - 1}, atOnce(c, func(int) (reply, error) { return single(c) }))
	require.Len(t, c.store.All("Flag"), 1)

	c = start(t, DefaultOptions())
	require.Equal(t, map[int]int{200: parallel}, atOnce(c, func(int) (reply, error) { return transaction(c) }))
	require.Len(t, c.store.All("Flag"), 1)

	for name, send := range map[string]func(client) (reply, error){"single": single, "transaction": transaction} {
		most := 0
		for round := 0; round < 100 && most < 2; round++ {
			c := start(t, DatabaseOptions())
			atOnce(c, func(int) (reply, error) { return send(c) })
			most = max(most, len(c.store.All("Flag")))
		}
		require.Greater(t, most, 1, "a server over a database creates several at times: "+name)
	}
}

// A reader sees both resources of a transaction or neither, in the same state.
func TestTransactionsAreSeenWhole(t *testing.T) {
	c := start(t, DefaultOptions())
	pair := func(n int, failing string) string {
		entries := []string{}
		for _, id := range []string{"a", "b"} {
			entries = append(entries, entry("PUT", "Flag/"+id, strings.Replace(flag(id, "p"), `"text":"x"`, fmt.Sprintf(`"text":"%d"`, n), 1), ""))
		}
		if failing != "" {
			entries = append(entries, failing)
		}
		return bundleOf("transaction", entries...)
	}
	require.Equal(t, 200, c.do("POST", "", pair(0, "")).status)
	stop := make(chan struct{})
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				r, err := c.try("GET", "Flag?patient=Patient/p", "")
				var b struct {
					Entry []struct {
						Resource struct {
							Code struct {
								Text string `json:"text"`
							} `json:"code"`
						} `json:"resource"`
					} `json:"entry"`
				}
				if err == nil {
					err = json.Unmarshal([]byte(r.body), &b)
				}
				if err != nil || len(b.Entry) != 2 || b.Entry[0].Resource.Code.Text != b.Entry[1].Resource.Code.Text || b.Entry[0].Resource.Code.Text == "-1" {
					t.Errorf("half a transaction was seen: %v %s", err, r.body)
					return
				}
			}
		})
	}
	for n := range 100 {
		require.Equal(t, 200, c.do("POST", "", pair(n, "")).status)
		require.Equal(t, 404, c.do("POST", "", pair(-1, entry("GET", "Flag/none", "", ""))).status)
	}
	close(stop)
	wg.Wait()
}
