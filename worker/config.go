package worker

import (
	"cmp"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/nats-io/nats.go"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/worker/smart"
	"pupilrisk/worker/stream"
)

// EnvPrefix stands before the name of every environment variable that sets a key: fhir.url is PUPILRISK_FHIR_URL.
const EnvPrefix = "PUPILRISK_"

// Mode says whether the worker writes.
type Mode string

const (
	Shadow Mode = "shadow" // does everything but write to the FHIR server
	Live   Mode = "live"
)

// Config is the configuration of the worker. The tag key names each value in the file; README.md lists them all.
type Config struct {
	Mode Mode `key:"mode"`

	FHIRURL       string        `key:"fhir.url"`
	FHIRAliases   []string      `key:"fhir.base_aliases"`
	FHIRDevice    string        `key:"fhir.device"`
	FHIRTokenFile string        `key:"fhir.token_file"`
	FHIRClientID  string        `key:"fhir.client_id"`
	FHIRClientKey string        `key:"fhir.key_file"`
	FHIRTokenURL  string        `key:"fhir.token_url"`
	FHIRScope     string        `key:"fhir.scope"`
	FHIRCAFile    string        `key:"fhir.tls.ca_file"`
	FHIRCertFile  string        `key:"fhir.tls.cert_file"`
	FHIRKeyFile   string        `key:"fhir.tls.key_file"`
	FHIRBatch     string        `key:"fhir.batch"`
	FHIRTimeout   time.Duration `key:"fhir.timeout"`

	FHIRPostSearch       bool   `key:"fhir.post_search"`
	FHIRTransaction      string `key:"fhir.transaction"`
	FHIRTransactionLimit int    `key:"fhir.transaction_limit"`

	HistoryRequired []string      `key:"history.required"`
	HistoryGather   time.Duration `key:"history.gather"`

	OperationCodes        []string `key:"operations.match.codes"`
	OperationText         []string `key:"operations.match.text"`
	OperationNotText      []string `key:"operations.match.not_text"`
	OperationUnrecognised string   `key:"operations.unrecognised"`
	OperationIdentifier   string   `key:"operations.identifier_system"`

	NATSURL       string  `key:"nats.url"`
	NATSCreds     string  `key:"nats.creds_file"`
	NATSNKey      string  `key:"nats.nkey_file"`
	NATSTokenFile string  `key:"nats.token_file"`
	NATSCAFile    string  `key:"nats.tls.ca_file"`
	NATSCertFile  string  `key:"nats.tls.cert_file"`
	NATSKeyFile   string  `key:"nats.tls.key_file"`
	NATSManage    OptBool `key:"nats.manage"`
	NATSReplicas  int     `key:"nats.replicas"`
	NATSInbox     string  `key:"nats.inbox_prefix"`
	NATSStoreDir  string  `key:"nats.store_dir"`
	NATSStoreKey  string  `key:"nats.store_key_file"`
	NATSListen    string  `key:"nats.listen"`

	HTTPAddr string `key:"http.addr"`

	MLLPAddr     string   `key:"intake.mllp.addr"`
	MLLPPeers    []string `key:"intake.mllp.peers"`
	MLLPLimit    int      `key:"intake.mllp.limit"`
	MLLPCertFile string   `key:"intake.mllp.tls.cert_file"`
	MLLPKeyFile  string   `key:"intake.mllp.tls.key_file"`
	MLLPCAFile   string   `key:"intake.mllp.tls.ca_file"`

	V2Service []string `key:"intake.hl7v2.service"`

	WebhookAddr       string `key:"intake.webhook.addr"`
	WebhookSecretFile string `key:"intake.webhook.secret_file"`
	WebhookCertFile   string `key:"intake.webhook.tls.cert_file"`
	WebhookKeyFile    string `key:"intake.webhook.tls.key_file"`

	SweepHorizon time.Duration `key:"sweep.horizon"`
	SweepEvery   time.Duration `key:"sweep.every"`
	SweepEvening string        `key:"sweep.evening"`

	FlagMinLevel   string `key:"flag.min_level"`
	FlagCopyLabels bool   `key:"flag.copy_security_labels"`

	FlagLinkAppointment bool   `key:"flag.link_appointment"`
	TaskIntent          string `key:"task.intent"`

	Timezone     string   `key:"timezone"`
	Holidays     []string `key:"holidays"`
	Concurrency  int      `key:"concurrency"`
	CatalogueDir string   `key:"catalogue.dir"`
	Canonical    string   `key:"canonical"`

	TracingEndpoint string  `key:"tracing.endpoint"`
	TracingRatio    float64 `key:"tracing.ratio"`

	LogLevel  string `key:"log.level"`
	LogFormat string `key:"log.format"`
	LogAudit  bool   `key:"log.audit"`

	places map[string]string // key → where it was set
}

// LeastScopes are the rights on the FHIR server that the worker needs, as SMART version 2 writes them.
const LeastScopes = "system/Patient.rs system/Appointment.rs system/ServiceRequest.rs system/MedicationRequest.rs system/MedicationStatement.rs " +
	"system/MedicationDispense.rs system/MedicationAdministration.rs system/Medication.r system/Procedure.rs system/Condition.rs system/Observation.rs " +
	"system/AllergyIntolerance.rs system/DeviceUseStatement.rs system/Device.cru system/BodyStructure.r system/Flag.crus system/Task.crus system/Provenance.cu"

// SubscribeScope is the right that making and renewing subscriptions needs.
const SubscribeScope = "system/Subscription.crus"

// OptBool is a switch that may be left to a default which depends on other keys.
type OptBool struct{ Set, Value bool }

// DefaultConfig is the configuration before file and environment.
func DefaultConfig() Config {
	return Config{
		Mode: Shadow, FHIRScope: LeastScopes, FHIRBatch: "auto", FHIRTransaction: "auto", FHIRTimeout: 30 * time.Second,
		HistoryRequired: []string{"Condition", "Procedure", "MedicationRequest|MedicationStatement"}, HistoryGather: 30 * time.Second, OperationUnrecognised: "ignore",
		NATSStoreDir: stateDir(), NATSListen: "127.0.0.1:4222", HTTPAddr: "127.0.0.1:9464", MLLPLimit: 4 << 20, V2Service: []string{"AIS-3", "AIS-11", "AIS-12"},
		SweepHorizon: 90 * 24 * time.Hour, SweepEvery: 6 * time.Hour, SweepEvening: "18:00", FlagMinLevel: "moderate", TaskIntent: "proposal",
		Timezone: "UTC", Concurrency: 4 * runtime.NumCPU(), Canonical: fhirmap.DefaultCanonical, TracingRatio: 1, LogLevel: "info", LogFormat: "json", LogAudit: true,
	}
}

// stateDir is where the embedded stream lives unless the site says otherwise: what the service manager gives, else the
// user's state directory.
func stateDir() string {
	if d := os.Getenv("STATE_DIRECTORY"); d != "" {
		return d
	}
	if d := os.Getenv("XDG_STATE_HOME"); d != "" {
		return filepath.Join(d, "pupilrisk")
	}
	if home, err := os.UserHomeDir(); err == nil {
		return filepath.Join(home, ".local", "state", "pupilrisk")
	}
	return "pupilrisk-state"
}

// ConfigError is one fault of the configuration: the key and where it was set.
type ConfigError struct{ Place, Key, Reason string }

func (e ConfigError) Error() string {
	if e.Place == "" {
		return e.Key + ": " + e.Reason
	}
	return e.Place + ": " + e.Key + ": " + e.Reason
}

// LoadConfig reads the file (which may be "" for none) and puts the environment over it. environ is as os.Environ gives it.
// All faults are returned together, one line each.
func LoadConfig(file string, environ []string) (Config, error) {
	c := DefaultConfig()
	c.places = map[string]string{}
	fields := c.fields()
	var errs []error
	if file != "" {
		data, err := os.ReadFile(file)
		if err != nil {
			return c, ConfigError{Key: "--config", Reason: "cannot read the file: " + errText(err)}
		}
		values, err := flattenYAML(file, data)
		if err != nil {
			return c, err
		}
		for _, v := range values {
			errs = append(errs, c.assign(fields, v))
		}
	}
	for _, kv := range environ {
		name, value, _ := strings.Cut(kv, "=")
		if !strings.HasPrefix(name, EnvPrefix) || slices.Contains(otherEnv, name) {
			continue
		}
		key := ""
		for k := range fields {
			if envName(k) == name {
				key = k
			}
		}
		if key == "" {
			errs = append(errs, ConfigError{Place: "environment", Key: name, Reason: "unknown key"})
			continue
		}
		errs = append(errs, c.assign(fields, setting{place: "environment " + name, key: key, values: splitList(value)}))
	}
	errs = append(errs, c.validate()...)
	return c, errors.Join(errs...)
}

// otherEnv are variables of ours that are no configuration keys.
var otherEnv = []string{"PUPILRISK_CONFIG", "PUPILRISK_SHARED_DATA", "PUPILRISK_REQUIRE", "PUPILRISK_INTEROP", "PUPILRISK_LOAD"}

func envName(key string) string {
	return EnvPrefix + strings.ToUpper(strings.NewReplacer(".", "_").Replace(key))
}

func splitList(s string) []string {
	parts := strings.Split(s, ",")
	for i := range parts {
		parts[i] = strings.TrimSpace(parts[i])
	}
	return parts
}

func (c *Config) fields() map[string]reflect.Value {
	out := map[string]reflect.Value{}
	v := reflect.ValueOf(c).Elem()
	for i := range v.NumField() {
		if key := v.Type().Field(i).Tag.Get("key"); key != "" {
			out[key] = v.Field(i)
		}
	}
	return out
}

// Keys lists every key in alphabetical order.
func Keys() []string {
	var c Config
	var keys []string
	for k := range c.fields() {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// setting is one value as it was found.
type setting struct {
	place, key string
	values     []string
	list       bool
}

func (c *Config) assign(fields map[string]reflect.Value, s setting) error {
	f, ok := fields[s.key]
	if !ok {
		return ConfigError{s.place, s.key, "unknown key" + nearest(s.key, fields)}
	}
	c.places[s.key] = s.place
	if f.Kind() == reflect.Slice {
		f.Set(reflect.ValueOf(slices.DeleteFunc(s.values, func(v string) bool { return v == "" })))
		return nil
	}
	value := strings.Join(s.values, ",")
	if s.list {
		return ConfigError{s.place, s.key, "wants one value, not a list"}
	}
	switch f.Interface().(type) {
	case time.Duration:
		d, err := parseDuration(value)
		if err != nil {
			return ConfigError{s.place, s.key, err.Error()}
		}
		f.SetInt(int64(d))
	case int:
		n, err := strconv.Atoi(value)
		if err != nil {
			return ConfigError{s.place, s.key, "wants a whole number"}
		}
		f.SetInt(int64(n))
	case float64:
		x, err := strconv.ParseFloat(value, 64)
		if err != nil {
			return ConfigError{s.place, s.key, "wants a number"}
		}
		f.SetFloat(x)
	case bool, OptBool:
		b, err := strconv.ParseBool(value)
		if err != nil {
			return ConfigError{s.place, s.key, "wants true or false"}
		}
		if f.Kind() == reflect.Bool {
			f.SetBool(b)
		} else {
			f.Set(reflect.ValueOf(OptBool{Set: true, Value: b}))
		}
	default:
		f.SetString(value)
	}
	return nil
}

// nearest offers the key that was probably meant.
func nearest(key string, fields map[string]reflect.Value) string {
	last := key[strings.LastIndexByte(key, '.')+1:]
	var found []string
	for k := range fields {
		if k == last || strings.HasSuffix(k, "."+last) || strings.HasPrefix(k, key+".") || strings.HasPrefix(key, k) {
			found = append(found, k)
		}
	}
	if len(found) == 0 {
		return ""
	}
	slices.SortFunc(found, func(x, y string) int { return cmp.Or(len(x)-len(y), strings.Compare(x, y)) })
	return "; did you mean " + found[0] + "?"
}

// parseDuration reads 90d, 6h, 30m, 15s.
func parseDuration(s string) (time.Duration, error) {
	if n, ok := strings.CutSuffix(s, "d"); ok {
		days, err := strconv.Atoi(n)
		if err == nil && days >= 0 && days <= 3650 {
			return time.Duration(days) * 24 * time.Hour, nil
		}
	}
	d, err := time.ParseDuration(s)
	if err != nil || d < 0 {
		return 0, errors.New("wants a duration such as 90d, 6h or 30s")
	}
	return d, nil
}

// flattenYAML turns the file into one setting per key, with its line.
func flattenYAML(file string, data []byte) ([]setting, error) {
	tree, err := parser.ParseBytes(data, 0)
	if err != nil {
		return nil, ConfigError{file, "not YAML", firstLine(err)}
	}
	var out []setting
	var walk func(prefix string, n ast.Node) error
	walk = func(prefix string, n ast.Node) error {
		switch n := n.(type) {
		case *ast.MappingNode:
			for _, v := range n.Values {
				if err := walk(prefix, v); err != nil {
					return err
				}
			}
		case *ast.MappingValueNode:
			return walk(strings.TrimPrefix(prefix+"."+n.Key.String(), "."), n.Value)
		case *ast.SequenceNode:
			s := setting{place: place(file, n), key: prefix, list: true}
			for _, v := range n.Values {
				scalar, ok := v.(ast.ScalarNode)
				if !ok {
					return ConfigError{place(file, v), prefix, "wants a list of plain values"}
				}
				s.values = append(s.values, fmt.Sprint(scalar.GetValue()))
			}
			out = append(out, s)
		case *ast.NullNode:
			return ConfigError{place(file, n), prefix, "has no value"}
		case ast.ScalarNode:
			out = append(out, setting{place: place(file, n), key: prefix, values: []string{n.GetToken().Value}})
		default:
			return ConfigError{place(file, n), prefix, "wants a plain value"}
		}
		return nil
	}
	for _, doc := range tree.Docs {
		if doc.Body == nil {
			continue
		}
		if err := walk("", doc.Body); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func place(file string, n ast.Node) string {
	return fmt.Sprintf("%s:%d", file, n.GetToken().Position.Line)
}

func firstLine(err error) string {
	line, _, _ := strings.Cut(err.Error(), "\n")
	return line
}

// errText is an error's cause without the path it was about, which the caller names.
func errText(err error) string {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err.Error()
	}
	return err.Error()
}

func (c *Config) fault(key, reason string) error {
	return ConfigError{c.places[key], key, reason}
}

func (c *Config) validate() (errs []error) {
	oneOf := func(key, value string, allowed ...string) {
		if !slices.Contains(allowed, value) {
			errs = append(errs, c.fault(key, fmt.Sprintf("%q is none of %s", value, strings.Join(allowed, ", "))))
		}
	}
	oneOf("mode", string(c.Mode), string(Shadow), string(Live))
	oneOf("fhir.batch", c.FHIRBatch, "auto", "on", "off")
	oneOf("fhir.transaction", c.FHIRTransaction, "auto", "off")
	oneOf("operations.unrecognised", c.OperationUnrecognised, "ignore", "assess")
	oneOf("flag.min_level", c.FlagMinLevel, "low", "moderate", "high")
	oneOf("task.intent", c.TaskIntent, "proposal", "plan", "order")
	oneOf("log.level", c.LogLevel, "debug", "info", "warn", "error")
	oneOf("log.format", c.LogFormat, "json", "text")
	for _, u := range append([]string{c.FHIRURL}, c.FHIRAliases...) {
		if u == "" {
			continue
		}
		p, err := url.Parse(u)
		if err != nil || (p.Scheme != "http" && p.Scheme != "https") || p.Host == "" || p.RawQuery != "" || p.User != nil {
			errs = append(errs, c.fault("fhir.url", "wants an http or https address without user, password or query"))
			break
		}
	}
	switch {
	case c.FHIRTokenFile != "" && (c.FHIRClientID != "" || c.FHIRClientKey != ""):
		errs = append(errs, c.fault("fhir.token_file", "a token from a file, or fhir.client_id with fhir.key_file, not both"))
	case c.FHIRClientID != "" && c.FHIRClientKey == "":
		errs = append(errs, c.fault("fhir.client_id", "needs fhir.key_file"))
	case c.FHIRTokenURL != "" && c.FHIRClientKey == "":
		errs = append(errs, c.fault("fhir.token_url", "needs fhir.client_id and fhir.key_file"))
	case c.FHIRTokenURL != "":
		if _, err := smart.ParseEndpoint(c.FHIRTokenURL); err != nil {
			errs = append(errs, c.fault("fhir.token_url", err.Error()))
		}
	}
	for _, day := range c.Holidays {
		_, err := time.Parse(time.DateOnly, day)
		if _, yearly := time.Parse("2006-01-02", "2024-"+day); err != nil && yearly != nil {
			errs = append(errs, c.fault("holidays", "wants days such as 2026-12-25, or 12-25 for every year"))
			break
		}
	}
	if c.FHIRTransactionLimit < 0 || c.FHIRTransactionLimit == 1 {
		errs = append(errs, c.fault("fhir.transaction_limit", "wants 0 for none, or at least 2: a resource and its Provenance"))
	}
	if _, err := time.LoadLocation(c.Timezone); err != nil {
		errs = append(errs, c.fault("timezone", "no such time zone"))
	}
	if c.Concurrency < 1 || c.Concurrency > 1024 {
		errs = append(errs, c.fault("concurrency", "wants 1 to 1024"))
	}
	if c.SweepEvery < time.Minute {
		errs = append(errs, c.fault("sweep.every", "wants at least 1m"))
	}
	if _, err := time.Parse("15:04", c.SweepEvening); err != nil && c.SweepEvening != "off" {
		errs = append(errs, c.fault("sweep.evening", "wants a time of day such as 18:00, or off"))
	}
	if p, err := url.Parse(c.Canonical); err != nil || p.Scheme == "" || strings.HasSuffix(c.Canonical, "/") {
		errs = append(errs, c.fault("canonical", "wants an absolute address without a slash at its end"))
	}
	if c.TracingEndpoint != "" {
		p, err := url.Parse(c.TracingEndpoint)
		if err != nil || (p.Scheme != "http" && p.Scheme != "https") || p.Host == "" || p.RawQuery != "" || p.Fragment != "" || p.User != nil {
			errs = append(errs, c.fault("tracing.endpoint", "wants an http or https address without user, password or query"))
		}
	}
	if !(c.TracingRatio >= 0 && c.TracingRatio <= 1) { // NaN too is none
		errs = append(errs, c.fault("tracing.ratio", "wants 0 to 1"))
	}
	switch _, err := prefixes(c.MLLPPeers); {
	case err != nil:
		errs = append(errs, c.fault("intake.mllp.peers", err.Error()))
	case c.MLLPLimit < 1024 || c.MLLPLimit > 64<<20:
		errs = append(errs, c.fault("intake.mllp.limit", "wants 1024 to 67108864 bytes"))
	case c.MLLPAddr == "":
	case (c.MLLPCertFile == "") != (c.MLLPKeyFile == ""):
		errs = append(errs, c.fault("intake.mllp.addr", "needs both intake.mllp.tls.cert_file and intake.mllp.tls.key_file, or neither"))
	case len(c.MLLPPeers) == 0 && c.MLLPCAFile == "" && !loopbackAddr(c.MLLPAddr):
		errs = append(errs, c.fault("intake.mllp.addr", "beyond loopback, name the senders in intake.mllp.peers or ask for client certificates with intake.mllp.tls.ca_file"))
	case c.MLLPCAFile != "" && c.MLLPCertFile == "":
		errs = append(errs, c.fault("intake.mllp.tls.ca_file", "needs intake.mllp.tls.cert_file"))
	}
	if slices.ContainsFunc(c.V2Service, func(f string) bool { return !v2Field.MatchString(f) }) {
		errs = append(errs, c.fault("intake.hl7v2.service", "wants fields of segments, such as AIS-3, SCH-7, NTE-3"))
	}
	switch {
	case c.WebhookAddr == "":
	case c.WebhookSecretFile == "":
		errs = append(errs, c.fault("intake.webhook.addr", "needs intake.webhook.secret_file: whoever may send events must prove it"))
	case (c.WebhookCertFile == "") != (c.WebhookKeyFile == ""):
		errs = append(errs, c.fault("intake.webhook.addr", "needs both intake.webhook.tls.cert_file and intake.webhook.tls.key_file, or neither"))
	case c.WebhookCertFile == "" && !loopbackAddr(c.WebhookAddr):
		errs = append(errs, c.fault("intake.webhook.addr", "without TLS only a loopback address is listened at"))
	}
	for _, code := range c.OperationCodes {
		if !strings.Contains(code, "|") {
			errs = append(errs, c.fault("operations.match.codes", "wants system|code"))
			break
		}
	}
	return errs
}

// v2Field is a field of an HL7 v2 segment.
var v2Field = regexp.MustCompile(`^[A-Z][A-Z0-9]{2}-[1-9][0-9]{0,2}$`)

// NeedFHIR is the fault of a configuration without a FHIR server, for the commands that cannot do without.
func (c *Config) NeedFHIR() error {
	switch {
	case c.FHIRURL == "":
		return c.fault("fhir.url", "is required (or "+envName("fhir.url")+")")
	case c.FHIRClientKey != "" && c.FHIRClientID == "": // not before: the key is made first, and the client id given for it
		return c.fault("fhir.key_file", "needs fhir.client_id")
	}
	return nil
}

// ClientKeys reads the keys that prove us to the FHIR server; its error is a fault of the configuration.
func (c *Config) ClientKeys() (smart.Keys, error) {
	if c.FHIRClientKey == "" {
		return nil, c.fault("fhir.key_file", "is required (or "+envName("fhir.key_file")+")")
	}
	keys, err := smart.ReadKeys(c.FHIRClientKey)
	if err != nil {
		return nil, c.fault("fhir.key_file", errText(err))
	}
	return keys, nil
}

// scopesLeftOut lists the rights that fhir.scope does not ask for although the worker could use them.
func (c *Config) scopesLeftOut() []string {
	if c.FHIRClientKey == "" {
		return nil
	}
	return smart.Missing(LeastScopes, c.FHIRScope)
}

// Zone is the clinic's time zone.
func (c *Config) Zone() *time.Location {
	if known, ok := zones.Load(c.Timezone); ok {
		return known.(*time.Location)
	}
	zone, err := time.LoadLocation(c.Timezone)
	if err != nil {
		zone = time.UTC // validate refuses it before
	}
	zones.Store(c.Timezone, zone)
	return zone
}

// zones are those loaded, by name: every record that is read needs one, and loading reads files.
var zones sync.Map

func (c *Config) settings() rules.Settings {
	var min rules.Level
	if min.UnmarshalText([]byte(c.FlagMinLevel)) != nil {
		min = rules.Moderate
	}
	s := rules.Settings{MinLevel: min, Zone: c.Zone(), Holidays: c.Holidays}
	for _, r := range c.HistoryRequired {
		s.Required = append(s.Required, strings.Split(r, "|"))
	}
	return s
}

// Level is log.level, which was checked with the configuration.
func (c *Config) Level() (level slog.Level) {
	_ = level.UnmarshalText([]byte(c.LogLevel))
	return level
}

// secretKeys name files that hold secrets: their path is shown, never their content.
var secretKeys = []string{"fhir.token_file", "fhir.key_file", "fhir.tls.key_file", "nats.creds_file", "nats.nkey_file", "nats.token_file", "nats.store_key_file", "nats.tls.key_file", "intake.webhook.secret_file", "intake.webhook.tls.key_file", "intake.mllp.tls.key_file"}

// Setting is one key with its value, "" for none, and where it was set. Secret says that the value names a file that holds a secret.
type Setting struct {
	Key, Value, Place string
	Secret            bool
}

// inEffect is the configuration with what is used where a key is left to others.
func (c Config) inEffect() Config {
	embedded := c.NATSURL == ""
	if embedded {
		c.NATSTokenFile = cmp.Or(c.NATSTokenFile, filepath.Join(c.NATSStoreDir, "token"))
	}
	if !c.NATSManage.Set {
		c.NATSManage = OptBool{Set: true, Value: embedded}
	}
	c.NATSInbox = cmp.Or(c.NATSInbox, strings.TrimSuffix(nats.InboxPrefix, "."))
	return c
}

// Effective lists every key with what is in effect, in alphabetical order.
func (c *Config) Effective() []Setting {
	var out []Setting
	now := c.inEffect()
	fields := now.fields()
	for _, k := range Keys() {
		value := fmt.Sprint(fields[k].Interface())
		switch v := fields[k].Interface().(type) {
		case []string:
			value = strings.Join(v, ", ")
		case time.Duration:
			if days := v / (24 * time.Hour); days > 0 && v%(24*time.Hour) == 0 {
				value = fmt.Sprintf("%dd", days)
			}
		case OptBool:
			value = strconv.FormatBool(v.Value)
		}
		secret := value != "" && value != stream.NoToken && slices.Contains(secretKeys, k)
		out = append(out, Setting{k, value, cmp.Or(c.places[k], "default"), secret})
	}
	return out
}
