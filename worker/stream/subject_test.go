package stream

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestPublicSubject(t *testing.T) {
	for subject, want := range map[string]string{
		"":                                    "",
		"clinic.booking":                      "clinic.booking",
		"clinic.booking.4711":                 "clinic.booking.…",
		"clinic.booking.site.4711":            "clinic.booking.…",
		"_INBOX.abc.1":                        "_INBOX.abc.…",
		"$KV.CLINIC_BOOKINGS.4711":            "$KV.CLINIC_BOOKINGS.…",
		"$JS.API.STREAM.INFO.CLINIC":          "$JS.API.STREAM.INFO.CLINIC",
		"$JS.API.CONSUMER.MSG.NEXT.CLINIC.pr": "$JS.API.CONSUMER.MSG.NEXT.CLINIC.pr",
		"$JS.API.DIRECT.GET.KV_B.$KV.B.4711":  "$JS.API.DIRECT.GET.KV_B.…",
		"$JS.ACK.CLINIC.pupilrisk.1.2.3.4.5":  "$JS.ACK.CLINIC.pupilrisk.…",
		"$JS.API.CONSUMER.CREATE.CLINIC.pupilrisk.clinic.booking.4711": "$JS.API.CONSUMER.CREATE.CLINIC.pupilrisk.clinic.…",
	} {
		require.Equal(t, want, publicSubject(subject))
	}
}

func TestTextsOfTheServerLoseTheirIdentifiers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		subject := rapid.SampledFrom([]string{"clinic.booking.", "clinic.history.a.", "$KV.B.", "$JS.API.DIRECT.GET.KV_B.$KV.B."}).Draw(t, "subject")
		frame := rapid.SampledFrom([]string{"%", `Permissions Violation for Publish to "%"`, "cid:5 - (%) x", "a,%;b", "\n%\n"}).Draw(t, "frame")
		id := rapid.StringMatching(`MARK[0-9]{4}(-[a-z]{1,3})?`).Draw(t, "id")
		text := withoutIdentifiers(strings.ReplaceAll(frame, "%", subject+id))
		require.NotContains(t, text, "MARK")
	})
	require.Equal(t, "dial tcp 10.0.0.1:4222: refused", withoutIdentifiers("dial tcp 10.0.0.1:4222: refused"))
}
