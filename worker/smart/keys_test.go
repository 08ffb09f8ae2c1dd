package smart

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"github.com/go-jose/go-jose/v4"
	"github.com/stretchr/testify/require"
)

func jwk(key any, kid, alg, use string) string {
	return string(must((&jose.JSONWebKey{Key: key, KeyID: kid, Algorithm: alg, Use: use}).MarshalJSON()))
}

func TestKeyFileForms(t *testing.T) {
	pkcs1 := pemOf("RSA PRIVATE KEY", x509.MarshalPKCS1PrivateKey(rsaKey()))
	sec1 := "-----BEGIN EC PARAMETERS-----\nBgUrgQQAIg==\n-----END EC PARAMETERS-----\n" + pemOf("EC PRIVATE KEY", must(x509.MarshalECPrivateKey(ecKey())))
	for name, c := range map[string]struct {
		file       string
		algorithms []string
		kids       []string // "" is a thumbprint
	}{
		"PKCS#8 RSA":       {pkcs8(rsaKey()), []string{"RS384"}, []string{""}},
		"PKCS#8 EC":        {"a comment\n" + pkcs8(ecKey()), []string{"ES384"}, []string{""}},
		"PKCS#1":           {pkcs1, []string{"RS384"}, []string{""}},
		"SEC 1":            {sec1, []string{"ES384"}, []string{""}},
		"two in PEM":       {sec1 + pkcs1, []string{"ES384", "RS384"}, []string{"", ""}},
		"JWK RSA":          {jwk(rsaKey(), "winter", "RS384", "sig"), []string{"RS384"}, []string{"winter"}},
		"JWK EC, no kid":   {" \n" + jwk(ecKey(), "", "", ""), []string{"ES384"}, []string{""}},
		"JWKS, new before": {`{"keys":[` + jwk(ecKey(), "new", "", "sig") + `,` + jwk(rsaKey(), "old", "", "") + `]}`, []string{"ES384", "RS384"}, []string{"new", "old"}},
	} {
		t.Run(name, func(t *testing.T) {
			keys, err := ParseKeys([]byte(c.file))
			require.NoError(t, err)
			require.Len(t, keys, len(c.algorithms))
			for i, k := range keys {
				require.Equal(t, c.algorithms[i], k.Algorithm)
				if c.kids[i] == "" {
					require.Equal(t, thumbprint(t, k), k.KeyID)
				} else {
					require.Equal(t, c.kids[i], k.KeyID)
				}
			}
			// A real authority takes a token request by each.
			s, a := serve(t, c.file)
			token, err := s.Token(t.Context())
			require.NoError(t, err)
			require.Equal(t, "token-1", token)
			require.Equal(t, []string{keys[0].KeyID}, a.kids, "the first key signs")
		})
	}
}

// thumbprint follows RFC 7638, section 3, by hand: the required members in alphabetical order, no spaces, SHA-256.
func thumbprint(t *testing.T, k jose.JSONWebKey) string {
	t.Helper()
	var m map[string]string
	public := k.Public()
	require.NoError(t, json.Unmarshal(must(public.MarshalJSON()), &m))
	text := fmt.Sprintf(`{"e":"%s","kty":"RSA","n":"%s"}`, m["e"], m["n"])
	if m["kty"] == "EC" {
		text = fmt.Sprintf(`{"crv":"%s","kty":"EC","x":"%s","y":"%s"}`, m["crv"], m["x"], m["y"])
	}
	sum := sha256.Sum256([]byte(text))
	return base64.RawURLEncoding.EncodeToString(sum[:])
}

// The example of RFC 7638, section 3.1, by the function that names our keys.
func TestThumbprintOfTheStandard(t *testing.T) {
	var k jose.JSONWebKey
	require.NoError(t, k.UnmarshalJSON([]byte(`{"kty":"RSA","n":"0vx7agoebGcQSuuPiLJXZptN9nndrQmbXEps2aiAFbWhM78LhWx4cbbfAAtVT86zwu1RK7aPFFxuhDR1L6tSoc_BJECPebWKRXjBZCiFV4n3oknjhMstn64tZ_2W-5JsGY4Hc5n9yBXArwl93lqt7_RN5w6Cf0h4QyQ5v-65YGjQR0_FDW2QvzqY368QQMicAtaSqzs8KJZgnYb9c7d0zgdAZHzu6qMQvRL5hajrn1n91CbOpbISD08qNLyrdkt-bFTWhAI4vMQFh6WeZu0fM4lFd2NcRwr3XPksINHaQ-G_xBniIqbw0Ls1jF44-csFCur-kEgU8awapJzKnqDKgw","e":"AQAB","alg":"RS256","kid":"2011-04-29"}`)))
	sum := must(k.Thumbprint(crypto.SHA256))
	require.Equal(t, "NzbLsXh8uDCcd-6MNwXF4W_7noWXFZAfHkxZsRGC9Xs", base64.RawURLEncoding.EncodeToString(sum))
}

func TestPublicKeysHoldNoPrivatePart(t *testing.T) {
	keys := must(ParseKeys([]byte(pkcs8(rsaKey()) + pkcs8(ecKey()))))
	out := must(keys.Public())
	var set struct{ Keys []map[string]string }
	require.NoError(t, json.Unmarshal(out, &set))
	require.Len(t, set.Keys, 2)
	for i, members := range [][]string{{"kty", "kid", "alg", "use", "n", "e"}, {"kty", "kid", "alg", "use", "crv", "x", "y"}} {
		var have []string
		for name := range set.Keys[i] {
			have = append(have, name)
		}
		require.ElementsMatch(t, members, have)
	}
}

func TestKeyFileFaults(t *testing.T) {
	encrypted := pem.EncodeToMemory(&pem.Block{Type: "RSA PRIVATE KEY", Headers: map[string]string{"Proc-Type": "4,ENCRYPTED", "DEK-Info": "AES-256-CBC,00"}, Bytes: []byte(marker)})
	mixed := *ecKey()
	mixed.PublicKey = newEC().PublicKey
	_, edwards, err := ed25519.GenerateKey(rand.Reader)
	require.NoError(t, err)
	broken := x509.MarshalPKCS1PrivateKey(rsaKey())
	broken[len(broken)/2] ^= 1
	for name, c := range map[string]struct{ file, want string }{
		"empty":             {"", "holds no private key"},
		"not a key":         {marker, "holds no private key"},
		"certificate only":  {pemOf("CERTIFICATE", []byte(marker)), "holds no private key"},
		"public PEM":        {pemOf("PUBLIC KEY", must(x509.MarshalPKIXPublicKey(ecKey().Public()))), "holds no private key"},
		"broken PKCS#8":     {pemOf("PRIVATE KEY", []byte(marker)), "holds a private key that cannot be read"},
		"encrypted PKCS#1":  {string(encrypted), "is encrypted, which an unattended program cannot open"},
		"encrypted PKCS#8":  {pemOf("ENCRYPTED PRIVATE KEY", []byte(marker)), "is encrypted, which an unattended program cannot open"},
		"another curve":     {pkcs8(must(ecdsa.GenerateKey(elliptic.P256(), rand.Reader))), "key 1: an EC key must be on the curve P-384"},
		"another kind":      {pkcs8(edwards), "key 1: must be an RSA key, or an EC key on the curve P-384"},
		"short RSA":         {jwk(must(rsa.GenerateKey(rand.Reader, 1024)), "", "", ""), "key 1: an RSA key must have 2048 to 8192 bits"},
		"broken PKCS#1":     {pemOf("RSA PRIVATE KEY", broken), "holds a private key that cannot be read"},
		"broken JSON":       {`{"kty":"` + marker, "is not JSON"},
		"empty JWKS":        {`{"keys":[]}`, "holds no private key"},
		"symmetric":         {`{"kty":"oct","k":"Wnot"}`, "key 1: must be an RSA key, or an EC key on the curve P-384"},
		"unknown JWK":       {`{"kty":"` + marker + `"}`, "key 1: is not a JSON Web Key that can be read"},
		"public JWK":        {jwk(ecKey().Public(), "", "", ""), "key 1: is a public key; the private one is needed"},
		"another algorithm": {jwk(rsaKey(), "", "RS256", ""), "key 1: is meant for another algorithm than RS384"},
		"another use":       {jwk(rsaKey(), "", "", "enc"), "key 1: is not meant for signatures"},
		"same id twice":     {`{"keys":[` + jwk(ecKey(), "a", "", "") + `,` + jwk(rsaKey(), "a", "", "") + `]}`, "key 2: has the id of another"},
		"too large":         {strings.Repeat(marker, 1<<13), "larger than 65536 bytes"},
		"mixed RSA":         {strings.Replace(jwk(rsaKey(), "", "", ""), `"d":"`, `"d":"A`, 1), "key 1: is not a JSON Web Key that can be read"},
		"mixed EC":          {jwk(&mixed, "", "", ""), "key 1: the parts of the EC key do not belong together"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ParseKeys([]byte(c.file))
			require.EqualError(t, err, c.want)
			_, err = New(Config{Base: "https://fhir.clinic.example", KeyFile: keyFile(t, c.file)})
			require.EqualError(t, err, "fhir.key_file: "+c.want)
		})
	}
	_, err = ReadKeys(filepath.Join(t.TempDir(), "none"))
	require.Error(t, err)
}
