package stream

import (
	"regexp"
	"strings"
)

// publicSubject cuts a subject to what may be logged. Its last tokens may be identifiers, so that only two stay; the
// JetStream interface's own subjects hold names of streams and consumers where an administrator needs them to grant a
// permission, and stay whole as far as those go.
func publicSubject(subject string) string {
	keep := 2
	switch {
	case strings.HasPrefix(subject, "$JS.API.STREAM."), strings.HasPrefix(subject, "$JS.API.CONSUMER."):
		keep = 7
	case strings.HasPrefix(subject, "$JS.API.DIRECT.GET."):
		keep = 5
	case strings.HasPrefix(subject, "$JS.ACK."):
		keep = 4
	}
	tokens := strings.Split(subject, ".")
	if len(tokens) <= keep {
		return subject
	}
	return strings.Join(tokens[:keep], ".") + ".…"
}

// subjects finds what looks like one of our subjects in a text written by the NATS server or client.
var subjects = regexp.MustCompile(`(?:\bclinic|\$KV|\$JS|\$SYS|\b_INBOX)\.[^\s"',;\])}]+`)

// withoutIdentifiers cuts each subject in text as publicSubject does.
func withoutIdentifiers(text string) string {
	return subjects.ReplaceAllStringFunc(text, publicSubject)
}
