package fhirmap

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// A text whose memory another has by now frees nothing of that one, and is not read as if it were that one.
func TestTextAfterItsMemoryWasGivenBack(t *testing.T) {
	read := func(id string) Text {
		text, err := Scan([]byte(`{"resourceType":"Patient","id":"` + id + `"}`))
		require.NoError(t, err)
		return text
	}
	alice := read("alice")
	alice.Free()
	bob := read("bob") // where the memory is kept, it has alice's
	alice.Free()
	eve := read("eve")
	_, id, _ := bob.Identity()
	require.Equal(t, "bob", id)
	_, id, _ = eve.Identity()
	require.Equal(t, "eve", id)
	for name, reads := range map[string]func(){
		"Identity":        func() { alice.Identity() },
		"ResourceType":    func() { alice.ResourceType() },
		"Depth":           func() { alice.Depth() },
		"Patients":        func() { _, _ = alice.Patients() },
		"WalkBundle":      func() { _, _ = alice.WalkBundle(Limits{}, nil) },
		"AddText":         func() { _, _ = NewRecord("Patient/alice", Options{}).AddText("", alice) },
		"AddResourceText": func() { _ = NewRecord("Patient/alice", Options{}).AddResourceText(alice) },
	} {
		require.Panics(t, reads, name)
	}
	eve.Free()
	bob.Free()
}
