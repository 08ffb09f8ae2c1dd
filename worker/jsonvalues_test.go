package worker

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Each object comes out as it went in, wherever the ends of what is read at once fall into it.
func TestJSONValuesComeOutWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.SampledFrom([]rune(`{}[]"\ aé0`)))
		var in strings.Builder
		var want []string
		for range rapid.IntRange(0, 5).Draw(t, "objects") {
			object := map[string]any{text.Draw(t, "name"): text.Draw(t, "text"), "list": []any{map[string]any{}, text.Draw(t, "in a list")}}
			encoded, err := json.Marshal(object)
			require.NoError(t, err)
			want = append(want, string(encoded))
			in.Write(encoded)
			in.WriteString(rapid.SampledFrom([]string{"", "\n", " \r\n\t"}).Draw(t, "between"))
		}
		var from io.Reader = strings.NewReader(in.String())
		if rapid.Bool().Draw(t, "byte by byte") {
			from = iotest.OneByteReader(from)
		}
		values := jsonValues{in: bufio.NewReaderSize(from, rapid.IntRange(16, 80).Draw(t, "buffer"))}
		for _, w := range want {
			at, value, err := values.next()
			require.NoError(t, err)
			require.Equal(t, w, string(value))
			require.Equal(t, w, in.String()[at:at+int64(len(value))])
		}
		_, _, err := values.next()
		require.ErrorIs(t, err, io.EOF)
	})
}

// What goes on without an end is let go once it is larger than may be held; what is as large as that comes out.
func TestJSONValueTooLarge(t *testing.T) {
	const whole = `{"a":"0123456789"}`
	for most, text := range map[int]string{
		len(whole):     whole + " " + `{"a":"01234567890"}`,
		len(whole) + 1: whole + " " + `{"a":"0123456789` + strings.Repeat("0", 1<<10),
	} {
		values := jsonValues{in: bufio.NewReaderSize(strings.NewReader(text), 16), most: most}
		_, value, err := values.next()
		require.NoError(t, err)
		require.Equal(t, whole, string(value))
		_, _, err = values.next()
		require.EqualError(t, err, fmt.Sprintf("what begins at byte %d is larger than %d bytes", len(whole)+1, most))
		require.Less(t, values.at, int64(3*len(whole)), "the rest is not read")
	}
}

// Single resources are held together, and no more of them than of a Bundle.
func TestSingleResourcesTooLarge(t *testing.T) {
	one := `{"resourceType":"Patient","id":"p"}`
	s := splitter{values: jsonValues{in: bufio.NewReader(strings.NewReader(strings.Repeat(one, 20))), most: 10 * len(one)}}
	require.ErrorContains(t, s.next().err, "are larger than")
}
