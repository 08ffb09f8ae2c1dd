package smart

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

const (
	// largestKeyFile is room for a dozen keys, and bounds what a wrong file can cost.
	largestKeyFile = 64 << 10
	// Below, a signature can be forged (RFC 7518, section 3.3); above, a signature takes noticeable time.
	leastBits, mostBits = 2048, 8192
	// assertionLife is how long a signed statement holds. The standard allows five minutes; less leaves room for a clock that is
	// fast, which would otherwise be refused.
	assertionLife = 4 * time.Minute
)

// Keys are a client's private keys, each with its id and with the one algorithm it signs by: RS384 or ES384. The first key signs and
// all are published, so that a new one can be made known before it is moved to the front.
type Keys []jose.JSONWebKey

// ReadKeys reads a file for ParseKeys.
func ReadKeys(file string) (Keys, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, largestKeyFile+1))
	if err != nil {
		return nil, err
	}
	return ParseKeys(data)
}

// ParseKeys reads PEM (PKCS#8, PKCS#1 or SEC 1, one block after the other), a private JWK or a JWKS of them. A key without an id gets
// its thumbprint (RFC 7638, SHA-256) for one. No error quotes what was read.
func ParseKeys(data []byte) (Keys, error) {
	if len(data) > largestKeyFile {
		return nil, fmt.Errorf("larger than %d bytes", largestKeyFile)
	}
	read := pemKeys
	if bytes.HasPrefix(bytes.TrimSpace(data), []byte("{")) {
		read = jsonKeys
	}
	found, err := read(data)
	if err != nil {
		return nil, err
	}
	if len(found) == 0 {
		return nil, errors.New("holds no private key")
	}
	keys, ids := make(Keys, len(found)), map[string]bool{}
	for i, k := range found {
		if keys[i], err = signing(k); err != nil {
			return nil, fmt.Errorf("key %d: %w", i+1, err)
		}
		if ids[keys[i].KeyID] {
			return nil, fmt.Errorf("key %d: has the id of another", i+1)
		}
		ids[keys[i].KeyID] = true
	}
	return keys, nil
}

func pemKeys(data []byte) (found []jose.JSONWebKey, err error) {
	for block, rest := pem.Decode(data); block != nil; block, rest = pem.Decode(rest) {
		var key any
		switch block.Type {
		case "PRIVATE KEY":
			key, err = x509.ParsePKCS8PrivateKey(block.Bytes)
		case "RSA PRIVATE KEY":
			key, err = x509.ParsePKCS1PrivateKey(block.Bytes)
		case "EC PRIVATE KEY":
			key, err = x509.ParseECPrivateKey(block.Bytes)
		case "ENCRYPTED PRIVATE KEY":
			return nil, errors.New("is encrypted, which an unattended program cannot open")
		default: // parameters, certificates, public keys
			continue
		}
		switch {
		case block.Headers["DEK-Info"] != "":
			return nil, errors.New("is encrypted, which an unattended program cannot open")
		case err != nil:
			return nil, errors.New("holds a private key that cannot be read")
		}
		found = append(found, jose.JSONWebKey{Key: key})
	}
	return found, nil
}

func jsonKeys(data []byte) (found []jose.JSONWebKey, err error) {
	var set struct {
		Keys []jsontext.Value `json:"keys"`
	}
	if err := json.Unmarshal(data, &set); err != nil {
		return nil, errors.New("is not JSON")
	}
	if set.Keys == nil {
		set.Keys = []jsontext.Value{data}
	}
	for i, raw := range set.Keys {
		var key jose.JSONWebKey
		if key.UnmarshalJSON(raw) != nil {
			return nil, fmt.Errorf("key %d: is not a JSON Web Key that can be read", i+1)
		}
		found = append(found, key)
	}
	return found, nil
}

// signing checks that a key can sign, and names its algorithm. That its parts belong together is checked for RSA by who decoded it.
func signing(k jose.JSONWebKey) (jose.JSONWebKey, error) {
	var algorithm jose.SignatureAlgorithm
	switch key := k.Key.(type) {
	case *rsa.PrivateKey:
		if bits := key.N.BitLen(); bits < leastBits || bits > mostBits {
			return k, fmt.Errorf("an RSA key must have %d to %d bits", leastBits, mostBits)
		}
		algorithm = jose.RS384
	case *ecdsa.PrivateKey:
		if key.Curve != elliptic.P384() {
			return k, errors.New("an EC key must be on the curve P-384")
		}
		private, err := key.ECDH()
		if err != nil {
			return k, errors.New("the EC key is not valid")
		}
		if public, err := key.PublicKey.ECDH(); err != nil || !private.PublicKey().Equal(public) {
			return k, errors.New("the parts of the EC key do not belong together")
		}
		algorithm = jose.ES384
	case *rsa.PublicKey, *ecdsa.PublicKey:
		return k, errors.New("is a public key; the private one is needed")
	default:
		return k, errors.New("must be an RSA key, or an EC key on the curve P-384")
	}
	switch {
	case k.Algorithm != "" && k.Algorithm != string(algorithm):
		return k, fmt.Errorf("is meant for another algorithm than %s", algorithm)
	case k.Use != "" && k.Use != "sig":
		return k, errors.New("is not meant for signatures")
	}
	out := jose.JSONWebKey{Key: k.Key, KeyID: k.KeyID, Algorithm: string(algorithm), Use: "sig"}
	if out.KeyID == "" {
		print, err := out.Thumbprint(crypto.SHA256)
		if err != nil {
			return k, errors.New("has no thumbprint")
		}
		out.KeyID = base64.RawURLEncoding.EncodeToString(print)
	}
	return out, nil
}

// Public is the JWKS (RFC 7517) of the public keys, to be registered with the FHIR server or served at a JWKS URL.
func (k Keys) Public() ([]byte, error) {
	set := jose.JSONWebKeySet{Keys: make([]jose.JSONWebKey, len(k))}
	for i := range k {
		set.Keys[i] = k[i].Public()
	}
	return json.Marshal(set, jsontext.WithIndent("  "))
}

// assertion is the signed statement that client is who asks the token endpoint. No two are alike: a server refuses one it has seen.
func (k Keys) assertion(client, endpoint string, now time.Time) (string, error) {
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.SignatureAlgorithm(k[0].Algorithm), Key: k[0]}, (&jose.SignerOptions{}).WithType("JWT"))
	if err != nil {
		return "", err
	}
	claims, err := json.Marshal(struct {
		Issuer   string `json:"iss"`
		Subject  string `json:"sub"`
		Audience string `json:"aud"`
		Expires  int64  `json:"exp"`
		ID       string `json:"jti"`
	}{client, client, endpoint, now.Add(assertionLife).Unix(), rand.Text()})
	if err != nil {
		return "", err
	}
	signed, err := signer.Sign(claims)
	if err != nil {
		return "", err
	}
	return signed.CompactSerialize()
}
