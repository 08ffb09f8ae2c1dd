package fhirmap

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
)

// The reading of outside JSON is held to a slow and plain one: the decoder of the library, token by token for the Bundle and
// by the tags of the same structs for what is in it.

// structs are what resources are read into, by type.
func structs(typ string) any {
	switch typ {
	case "MedicationStatement", "MedicationRequest", "MedicationDispense", "MedicationAdministration":
		return &medicationJSON{}
	case "Procedure":
		return &procedureJSON{}
	case "Condition":
		return &conditionJSON{}
	case "Observation":
		return &observationJSON{}
	case "AllergyIntolerance":
		return &allergyJSON{}
	case "DeviceUseStatement":
		return &deviceUseJSON{}
	case "Patient":
		return &patientJSON{}
	case "Appointment":
		return &appointmentJSON{}
	case "ServiceRequest":
		return &serviceRequestJSON{}
	case "Medication":
		return &drugJSON{}
	case "Parameters":
		return &struct {
			Parameter []parameterJSON `json:"parameter"`
		}{}
	case "SubscriptionStatus":
		return &statusJSON{}
	case "Flag", "Task":
		return &standingJSON{}
	}
	return nil
}

// plainly are the types that are not read by their tags alone.
var plainly = json.WithUnmarshalers(json.JoinUnmarshalers(
	json.UnmarshalFromFunc(func(d *jsontext.Decoder, k *rules.Code) error {
		var x struct {
			System  string `json:"system"`
			Code    string `json:"code"`
			Display string `json:"display"`
		}
		err := json.UnmarshalDecode(d, &x)
		*k = rules.Code(x)
		return err
	}),
	json.UnmarshalFromFunc(func(d *jsontext.Decoder, c *rules.Concept) error {
		var x struct {
			Coding []rules.Code `json:"coding"`
			Text   string       `json:"text"`
		}
		err := json.UnmarshalDecode(d, &x)
		c.Text = strings.TrimSpace(x.Text)
		for _, k := range x.Coding {
			if k.Code != "" || k.Display != "" {
				c.Codes = append(c.Codes, k)
			}
		}
		return err
	}),
	json.UnmarshalFromFunc(func(d *jsontext.Decoder, b *bodySiteJSON) error {
		raw, err := d.ReadValue()
		if err != nil {
			return err
		}
		raw = raw.Clone()
		var x struct {
			Extension []siteExtension `json:"extension"`
		}
		err = errors.Join(json.Unmarshal(raw, &b.concept, d.Options()), json.Unmarshal(raw, &x, d.Options()))
		b.Extension = x.Extension
		return err
	}),
	json.UnmarshalFromFunc(func(d *jsontext.Decoder, c *containedJSON) error {
		raw, err := d.ReadValue()
		*c = containedJSON{head(raw).ID, raw.Clone()}
		return err
	}),
	json.UnmarshalFromFunc(func(d *jsontext.Decoder, all *dosages) error {
		if d.PeekKind() == '{' {
			*all = make(dosages, 1)
			return json.UnmarshalDecode(d, &(*all)[0])
		}
		return json.UnmarshalDecode(d, (*[]dosageJSON)(all))
	}),
))

// sameDecode requires that a resource is read as the plain decoder reads it, or refused by both.
func sameDecode(t testing.TB, typ string, raw []byte, v value) {
	want, got := structs(typ), structs(typ)
	if want == nil {
		return
	}
	err := json.Unmarshal(raw, want, plainly)
	if Nesting(raw) > (Limits{}).withDefaults().Depth {
		err = errors.New("too deep")
	}
	if gotErr := NewRecord("", Options{}).decode(v, got); (err == nil) != (gotErr == nil) {
		t.Fatalf("%s: plain %v, got %v: %s", typ, err, gotErr, raw)
	}
	if err == nil && !reflect.DeepEqual(want, got) {
		t.Fatalf("plain %+v\ngot %+v\n%s", want, got, raw)
	}
}

// sameScan requires that a text is what the library says it is, and each value of it too.
func sameScan(t testing.TB, body []byte) {
	v, err := new(doc).scan(body)
	if valid := jsontext.Value(body).IsValid(faultyInside); valid != (err == nil) {
		if valid && dense(body) {
			return
		}
		t.Fatalf("JSON %t, scanned %v: %q", valid, err, body)
	}
	if err != nil {
		return
	}
	if strict := jsontext.Value(body).IsValid(); strict != (v.node().marks&faulty == 0) {
		t.Fatalf("strict %t: %q", strict, body)
	}
	if depth := Nesting(body); depth != int(v.node().depth) {
		t.Fatalf("nested %d, %d deep: %q", depth, v.node().depth, body)
	}
	sameTree(t, jsontext.NewDecoder(bytes.NewReader(body), faultyInside), v)
}

// dense reports more values than FHIR has in so many bytes.
func dense(body []byte) bool {
	return bytes.Count(body, []byte{','})+bytes.Count(body, []byte{'['})+bytes.Count(body, []byte{':'}) >= len(body)/maxDensity
}

func sameTree(t testing.TB, d *jsontext.Decoder, v value) {
	if k := d.PeekKind(); byte(k) != v.kind() {
		t.Fatalf("%c is %c", k, v.kind())
	}
	if k := v.kind(); k != '{' && k != '[' {
		raw, err := d.ReadValue()
		require.NoError(t, err)
		require.Equal(t, string(raw), string(v.raw()))
		require.Equal(t, stringOf(raw), v.text())
		return
	}
	_, err := d.ReadToken()
	require.NoError(t, err)
	for m := range v.all {
		if v.kind() == '{' {
			name, err := d.ReadToken()
			require.NoError(t, err)
			require.Equal(t, name.String(), m.name())
		}
		sameTree(t, d, m)
	}
	_, err = d.ReadToken()
	require.NoError(t, err)
}

// sameWalk requires that a Bundle is walked as by the plain walk, and its entries decoded as by the plain decoder.
func sameWalk(t testing.TB, body []byte) {
	type step struct {
		e BundleEntry
		h headJSON
	}
	var want, got []step
	wantInfo, wantErr := plainWalk(body, Limits{}, func(e BundleEntry) error {
		h := head(e.Resource)
		if h.ID == "" {
			h.ID, _ = strings.CutPrefix(e.FullURL, "urn:uuid:")
		}
		want = append(want, step{e, h})
		return nil
	})
	gotInfo, gotErr := WalkBundle(body, Limits{}, func(e BundleEntry) error {
		h := e.head()
		if e.Resource != nil {
			sameDecode(t, h.ResourceType, e.Resource, e.resource)
		}
		e.resource = value{}
		got = append(got, step{e, h})
		return nil
	})
	if (wantErr == nil) != (gotErr == nil) && !dense(body) {
		t.Fatalf("plain %v, got %v: %q", wantErr, gotErr, body)
	}
	if wantErr == nil && gotErr == nil {
		require.Equal(t, wantInfo, gotInfo)
		require.Equal(t, want, got)
	}
}

// outside are the official examples and the invented patients: whole files.
func outside(t testing.TB) (all [][]byte) {
	for _, dir := range []string{sharedData(t, "fhir-r4-examples"), sharedData(t, "fhir-eyecare-examples"), filepath.Join("testdata", "patients")} {
		require.NoError(t, filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() || filepath.Ext(path) != ".json" {
				return err
			}
			raw, err := os.ReadFile(path)
			all = append(all, raw)
			return err
		}))
	}
	require.NotEmpty(t, all)
	return all
}

// same holds one text to the plain reading in every way: as JSON, as a resource of each type, and as a Bundle.
func same(t testing.TB, raw []byte) {
	sameScan(t, raw)
	sameWalk(t, raw)
	if v, err := new(doc).scan(raw); err == nil {
		sameDecode(t, head(raw).ResourceType, raw, v)
	}
}

// Every official example is read as the plain decoder reads it, and so is each of them with a few bytes wrong.
func TestReadAsPlainly(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	const bytesOfJSON = "{}[]\":,\\ 01e.-nul\x00\x80\xff\xc3"
	for _, raw := range outside(t) {
		same(t, raw)
		if len(raw) > 20000 {
			continue
		}
		for range 20 {
			broken := slices.Clone(raw)
			for range 1 + random.IntN(2) {
				switch i, c := random.IntN(len(broken)), bytesOfJSON[random.IntN(len(bytesOfJSON))]; random.IntN(3) {
				case 0:
					broken[i] = c
				case 1:
					broken = slices.Insert(broken, i, c)
				default:
					broken = slices.Delete(broken, i, i+1)
				}
			}
			same(t, broken)
		}
	}
}

// Oddities of JSON, each read as the plain decoder reads it.
func TestOddJSON(t *testing.T) {
	many := func(n int, more string) string {
		var b strings.Builder
		b.WriteString("{")
		for i := range n {
			fmt.Fprintf(&b, `"name%d":"value",`, i)
		}
		return b.String() + more + "}"
	}
	for _, body := range []string{
		"", " ", "{", "}", "[", "nul", "null", " true ", "truefalse", `"`, `"a`, `"a"b`, "\"\t\"", "\"\x7f\"", "\"\x00\"", "\x00", "1 2", "01", "-", "-0", "1.", ".1", "1e", "1e+", "1E-07",
		"1.5e300", `[1,]`, `[,1]`, `[1 2]`, `{"a"}`, `{"a":}`, `{"a":1,}`, `{a:1}`, `{"a":1 "b":2}`, `{"a":1,"a":2}`, `[{"x":{"a":1,"a":2}}]`, `{"\u0061":1,"a":2}`, `{"a":1,"\u0061":2}`,
		`{"\u0061":1,"\u0062":2,"c":3}`, `"\ud83d\ude00"`, `"\ud83d"`, `"\ud83d\u0041"`, `"\ude00"`, `"\ud83dx"`, `"\u12"`, `"\u12g4"`, `"\x"`, `"\/\b\f\n\r\t\"\\"`, "\"\xff\"",
		"\"grün\"", "\"gr\xc3\"", "\"\xed\xa0\x80\"", "\"\xf0\x9f\x98\x80 eight bytes and more\"", "{\"\xff\":1,\"\xfe\":2}", "\ufeff{}", "\u00a0{}", "\v{}",
		strings.Repeat("[", 9999) + "1" + strings.Repeat("]", 9999), strings.Repeat(`{"aaaaaaa":`, 10000) + "1" + strings.Repeat("}", 10000), strings.Repeat(`{"aaaaaaa":`, 10001) + "1" + strings.Repeat("}", 10001),
		strings.Repeat("[        ", 10000) + strings.Repeat("]", 10000), strings.Repeat("[        ", 10001) + strings.Repeat("]", 10001),
		many(300, `"last":1`), many(300, `"name7":1`), many(300, `"nam\u00657":1`), many(128, `"name127":1`), many(129, `"name128":1`), many(1, `"name0":1`),
		`{"resourceType":"Bundle","resourceType":"Bundle"}`, `{"resourceType":"Bundle","entry":[{"search":{"mode":"a","mode":"b"},"response":{"status":"404 x","etag":7}}]}`,
		`{"resourceType":"Bundle","type":7}`, `{"resourceType":"Bundle","entry":[{"search":{"mode":7,"mode":"a"}},{"search":{"mode":null}},{"search":["a"]}]}`, `{"resourceType":"Bundle","total":"7","link":null,"entry":[{"resource":null,"fullUrl":7},{"search":7},{"resource":{"id":"a","resourceType":"Patient"}}]}`,
		`{"resourceType":"Bundle","entry":null}`, `{"resourceType":"Bundle","link":[{"relation":"next","url":"a","url":"b"}]}`, `{"resourceType":"Bundle","link":[null,{"relation":7}]}`,
		`{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Condition","id":"a","code":{"text":"x","text":"y"}}}]}`,
		strings.Replace(`{"resourceType":"Bundle","entry":[X]}`, "X", many(70, `"a":1`), 1),
		`{"resourceType":"MedicationAdministration","dosage":{"text":"x","route":{"coding":[{"code":"a"},null,{}]}}}`, `{"resourceType":"MedicationStatement","dosage":[null,{"text":null}]}`,
		`{"resourceType":"MedicationStatement","dosage":"x"}`, `{"resourceType":"MedicationRequest","reportedBoolean":null,"reportedReference":null,"contained":[1,{}]}`,
		`{"resourceType":"MedicationRequest","reportedReference":{},"doNotPerform":true}`, `{"resourceType":"MedicationRequest","doNotPerform":"true"}`, `{"resourceType":"Patient","name":7,"birthDate":{}}`,
		`{"resourceType":"Observation","valueQuantity":{"value":1e999}}`, `{"resourceType":"Observation","valueQuantity":{"value":"1"}}`, `{"resourceType":"Observation","valueInteger":1.5,"valueBoolean":false}`,
		`{"resourceType":"Observation","valueBoolean":null,"valueInteger":null,"dataAbsentReason":{},"component":[{"valueString":"x","code":null}],"bodySite":{"text":"l","extension":[{"url":"u","valueReference":{"reference":"r"}}]}}`,
		`{"resourceType":"Condition","STATUS":7,"Code":7,"stage":[{"summary":{"text":"x"}}],"evidence":[],"note":[],"abatementAge":{}}`, `{"resourceType":"SubscriptionStatus","eventsSinceSubscriptionStart":null,"notificationEvent":[{"eventNumber":"7"}]}`,
		`{"resourceType":"SubscriptionStatus","notificationEvent":[{"eventNumber":null}]}`,
		`{"resourceType":"Flag","extension":[{"url":"a","extension":[{"url":"b","extension":[{}],"valueString":"x"},null],"valueReference":null,"valueCodeableConcept":{"coding":[{"code":"PH"},null]}}],"code":{"coding":null}}`,
		`{"resourceType":"Task","extension":{"url":"a"}}`, `{"resourceType":"Task","restriction":{"period":{"end":7}}}`, `{"resourceType":"Task","performerType":[{"text":"x"},{}],"focus":{"identifier":{"value":"v"}},"extension":[7]}`, `{"resourceType":"Parameters","parameter":[{"valueString":null,"part":[{"part":[{"name":"x"}]}]}]}`,
	} {
		same(t, []byte(body))
	}
}

// A contained resource goes by its id, of two with one id the last; one without cannot be referred to.
func TestContained(t *testing.T) {
	all := contained{{"a", jsontext.Value("1")}, {"#b", jsontext.Value("2")}, {"a", jsontext.Value("3")}, {"", jsontext.Value("4")}}
	for ref, want := range map[string]string{"#a": "3", "#b": "2", "##b": "", "a": "", "#": "", "": "", "#c": ""} {
		raw, ok := all.find(ref)
		require.Equal(t, want, string(raw), ref)
		require.Equal(t, want != "", ok, ref)
	}
}

// A text of nothing but tiny values is refused before it takes more than a few times its size.
func TestDenseJSON(t *testing.T) {
	d := new(doc)
	_, err := d.scan([]byte("[" + strings.Repeat("0,", 1<<20) + "0]"))
	require.Error(t, err)
	require.Less(t, len(d.nodes), 1<<20)
}

// FuzzReadAsPlainly finds what is read other than the plain decoder reads it.
func FuzzReadAsPlainly(f *testing.F) {
	f.Add(page(drug("a", "active", `"medicationCodeableConcept":`+tamsulosinCode)))
	f.Add([]byte(`{"resourceType":"Observation","valueQuantity":{"value":1.5e3},"component":[{"valueBoolean":true}],"note":[{"te\u0078t":"\ud83d\ude00"}]}`))
	f.Add([]byte(`{"resourceType":"Condition","code":{"text":"a","text":"b"},"bodySite":[{"extension":[{"url":"u","valueReference":{"reference":"r","identifier":{"type":{"text":"x"}}}}]}]}`))
	f.Add([]byte(`{"resourceType":"MedicationAdministration","dosage":{"text":"x"},"contained":[{"id":"a"}],"medicationReference":{"reference":"#a"}}`))
	f.Fuzz(func(t *testing.T, body []byte) { same(t, body) })
}

// plainWalk is WalkBundle token by token, with the decoder of the library.
func plainWalk(body []byte, limits Limits, each func(BundleEntry) error) (BundleInfo, error) {
	limits = limits.withDefaults()
	info := BundleInfo{Total: -1}
	d := jsontext.NewDecoder(bytes.NewBuffer(body), faultyInside)
	typed := false
	n := 0
	err := plainObject(d, func(name string) error {
		switch name {
		case "resourceType":
			s, err := plainText(d)
			if err != nil {
				return err
			}
			if s != "Bundle" {
				return errNotBundle
			}
			typed = true
			return nil
		case "type":
			s, err := plainText(d)
			info.Type = s
			return err
		case "total":
			v, err := d.ReadValue()
			if err != nil {
				return errPage
			}
			if total, err := strconv.Atoi(string(v)); err == nil {
				info.Total = total
			}
			return nil
		case "link":
			v, err := d.ReadValue()
			if err != nil {
				return errPage
			}
			return plainLinks(v, &info)
		case "entry":
			return plainArray(d, func() error {
				if n++; n > limits.Entries {
					return errLimit
				}
				e, err := plainEntry(d, body)
				if err != nil {
					return err
				}
				return each(e)
			})
		default:
			if err := d.SkipValue(); err != nil {
				return errPage
			}
			return nil
		}
	})
	if err != nil {
		return info, err
	}
	if _, err := d.ReadToken(); !errors.Is(err, io.EOF) {
		return info, fmt.Errorf("%w: more after its end", errPage)
	}
	if !typed {
		return info, errNotBundle
	}
	return info, nil
}

func plainLinks(v jsontext.Value, info *BundleInfo) error {
	var links []struct {
		Relation string `json:"relation"`
		URL      string `json:"url"`
	}
	if err := json.Unmarshal(v, &links); err != nil {
		return fmt.Errorf("%w: links", errPage)
	}
	for _, l := range links {
		switch l.Relation {
		case "next":
			if info.Next != "" && info.Next != l.URL {
				return fmt.Errorf("%w: two next pages", errPage)
			}
			info.Next = l.URL
		case "self":
			info.Self = l.URL
		}
	}
	return nil
}

func plainEntry(d *jsontext.Decoder, body []byte) (BundleEntry, error) {
	var e BundleEntry
	err := plainObject(d, func(name string) error {
		v, err := d.ReadValue()
		if err != nil {
			return errPage
		}
		switch name {
		case "fullUrl":
			e.FullURL = stringOf(v)
		case "resource":
			// The decoder's own slice ends with its next call; the body's does not.
			end := d.InputOffset()
			e.Resource = body[end-int64(len(v)) : end : end]
		case "search":
			var s struct {
				Mode string `json:"mode"`
			}
			if json.Unmarshal(v, &s, faultyInside) == nil {
				e.SearchMode = s.Mode
			}
		case "response":
			var r struct {
				Status   string         `json:"status"`
				Location string         `json:"location"`
				ETag     string         `json:"etag"`
				Outcome  jsontext.Value `json:"outcome"`
			}
			if json.Unmarshal(v, &r, faultyInside) == nil {
				e.Status, e.Location, e.ETag, e.Outcome = statusCode(r.Status), r.Location, r.ETag, r.Outcome
			}
		}
		return nil
	})
	return e, err
}

// plainObject reads an object's members; a name given twice is an error.
func plainObject(d *jsontext.Decoder, member func(name string) error) error {
	t, err := d.ReadToken()
	if err != nil || t.Kind() != '{' {
		return errPage
	}
	var seen []string
	for d.PeekKind() == '"' {
		t, err := d.ReadToken()
		if err != nil {
			return errPage
		}
		name := t.String()
		if len(seen) == maxMembers {
			return fmt.Errorf("%w: too many names", errPage)
		}
		for _, s := range seen {
			if s == name {
				return fmt.Errorf("%w: a name given twice", errPage)
			}
		}
		seen = append(seen, name)
		if err := member(name); err != nil {
			return err
		}
	}
	if t, err := d.ReadToken(); err != nil || t.Kind() != '}' {
		return errPage
	}
	return nil
}

func plainArray(d *jsontext.Decoder, element func() error) error {
	t, err := d.ReadToken()
	if err != nil || t.Kind() != '[' {
		return errPage
	}
	for k := d.PeekKind(); k != ']'; k = d.PeekKind() {
		if k == 0 {
			return errPage
		}
		if err := element(); err != nil {
			return err
		}
	}
	_, err = d.ReadToken()
	return err
}

func plainText(d *jsontext.Decoder) (string, error) {
	v, err := d.ReadValue()
	if err != nil || v.Kind() != '"' {
		return "", errPage
	}
	return stringOf(v), nil
}
