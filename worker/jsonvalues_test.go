package worker

import (
	"bufio"
	"encoding/json"
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
