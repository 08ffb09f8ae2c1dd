package worker

import (
	"crypto/x509"
	"encoding/pem"
	"os"
	"time"
)

// certificates are the files of our own certificates by the name they have in the metrics; "" where none is configured.
func (c Config) certificates() map[string]string {
	files := map[string]string{"fhir-client": c.FHIRCertFile, "nats-client": "", "nats-listener": "", "mllp": c.MLLPCertFile, "webhook": c.WebhookCertFile}
	if c.NATSURL == "" {
		files["nats-listener"] = c.NATSCertFile
	} else {
		files["nats-client"] = c.NATSCertFile
	}
	return files
}

// setCertificateExpiry reads the certificates afresh: whoever renews them replaces the files.
func (m *Metrics) setCertificateExpiry(cfg Config) {
	for name, file := range cfg.certificates() {
		m.certificateExpiry.WithLabelValues(name).Set(timestamp(certificateEnd(file)))
	}
}

// certificateEnd is when the first certificate of a PEM file ends, the zero time if there is none.
func certificateEnd(file string) time.Time {
	if file == "" {
		return time.Time{}
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return time.Time{}
	}
	for block, rest := pem.Decode(data); block != nil; block, rest = pem.Decode(rest) {
		if block.Type != "CERTIFICATE" {
			continue
		}
		if c, err := x509.ParseCertificate(block.Bytes); err == nil {
			return c.NotAfter
		}
		break
	}
	return time.Time{}
}
