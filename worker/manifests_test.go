package worker

import (
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nkeys"
	"github.com/stretchr/testify/require"
)

// Every YAML file under deploy/ is YAML, without a key twice.
func TestDeployYAMLParses(t *testing.T) {
	n := 0
	require.NoError(t, filepath.WalkDir(filepath.Join("..", "deploy"), func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".yaml" {
			return err
		}
		n++
		require.NotEmpty(t, documents[map[string]any](t, path), path)
		return nil
	}))
	require.Greater(t, n, 12)
}

// documents are those of a YAML file; a field that T does not know is an error.
func documents[T any](t *testing.T, path string) (all []T) {
	t.Helper()
	file, err := os.Open(path)
	require.NoError(t, err)
	defer file.Close()
	for decoder := yaml.NewDecoder(file, yaml.Strict()); ; {
		var one T
		err := decoder.Decode(&one)
		if err == io.EOF { //nolint:errorlint // as the decoder documents
			return all
		}
		require.NoError(t, err, path)
		all = append(all, one)
	}
}

// object is what the manifests use of Kubernetes' types, so that a misspelt field is an error.
type object struct {
	APIVersion string `yaml:"apiVersion"`
	Kind       string
	Metadata   struct {
		Name, Namespace string
		Labels          map[string]string
	}
	Spec struct {
		Replicas                   int
		Selector                   any
		Template                   podTemplate
		ServiceName                string           `yaml:"serviceName"`
		PodManagementPolicy        string           `yaml:"podManagementPolicy"`
		VolumeClaimTemplates       []map[string]any `yaml:"volumeClaimTemplates"`
		MinAvailable               int              `yaml:"minAvailable"`
		MaxUnavailable             int              `yaml:"maxUnavailable"`
		UnhealthyPodEvictionPolicy string           `yaml:"unhealthyPodEvictionPolicy"`
		ClusterIP                  string           `yaml:"clusterIP"`
		PublishNotReadyAddresses   bool             `yaml:"publishNotReadyAddresses"`
		Ports                      []struct {
			Name       string
			TargetPort string `yaml:"targetPort"`
			Port       int
		}
		Endpoints   []struct{ Port, Path, Interval string }
		PodSelector struct {
			MatchLabels map[string]string `yaml:"matchLabels"`
		} `yaml:"podSelector"`
		PolicyTypes     []string `yaml:"policyTypes"`
		Ingress, Egress []struct {
			From, To []map[string]any
			Ports    []struct {
				Protocol string
				Port     int
			}
		}
	}
}

type podTemplate struct {
	Metadata struct{ Labels map[string]string }
	Spec     struct {
		AutomountServiceAccountToken  *bool `yaml:"automountServiceAccountToken"`
		TerminationGracePeriodSeconds int   `yaml:"terminationGracePeriodSeconds"`
		SecurityContext               struct {
			RunAsNonRoot   bool              `yaml:"runAsNonRoot"`
			RunAsUser      int               `yaml:"runAsUser"`
			RunAsGroup     int               `yaml:"runAsGroup"`
			FSGroup        int               `yaml:"fsGroup"`
			SeccompProfile map[string]string `yaml:"seccompProfile"`
		} `yaml:"securityContext"`
		TopologySpreadConstraints []map[string]any `yaml:"topologySpreadConstraints"`
		Containers                []container
		Volumes                   []struct {
			Name      string
			ConfigMap map[string]any `yaml:"configMap"`
			Secret    map[string]any
		}
	}
}

type container struct {
	Name, Image string
	Args        []string
	Env         []struct {
		Name, Value string
		ValueFrom   map[string]any `yaml:"valueFrom"`
	}
	EnvFrom []map[string]any `yaml:"envFrom"`
	Ports   []struct {
		Name          string
		ContainerPort int `yaml:"containerPort"`
	}
	StartupProbe    healthProbe `yaml:"startupProbe"`
	LivenessProbe   healthProbe `yaml:"livenessProbe"`
	ReadinessProbe  healthProbe `yaml:"readinessProbe"`
	Resources       map[string]any
	SecurityContext struct {
		AllowPrivilegeEscalation *bool                        `yaml:"allowPrivilegeEscalation"`
		ReadOnlyRootFilesystem   bool                         `yaml:"readOnlyRootFilesystem"`
		Capabilities             struct{ Drop, Add []string } `yaml:"capabilities"`
	} `yaml:"securityContext"`
	VolumeMounts []volumeMount `yaml:"volumeMounts"`
}

type volumeMount struct {
	Name      string
	MountPath string `yaml:"mountPath"`
	ReadOnly  bool   `yaml:"readOnly"`
}

type healthProbe struct {
	Exec             struct{ Command []string }
	HTTPGet          struct{ Path, Port string } `yaml:"httpGet"`
	PeriodSeconds    int                         `yaml:"periodSeconds"`
	TimeoutSeconds   int                         `yaml:"timeoutSeconds"`
	FailureThreshold int                         `yaml:"failureThreshold"`
}

// kubernetes reads the manifests, by kind and name.
func kubernetes(t *testing.T) map[string]object {
	t.Helper()
	all := map[string]object{}
	for _, file := range []string{"namespace.yaml", "worker.yaml", "nats.yaml", "networkpolicy.yaml", "monitoring.yaml"} {
		for _, o := range documents[object](t, filepath.Join("..", "deploy", "kubernetes", file)) {
			require.Equal(t, map[string]string{
				"Namespace": "v1", "Service": "v1", "Deployment": "apps/v1", "StatefulSet": "apps/v1", "PodDisruptionBudget": "policy/v1",
				"NetworkPolicy": "networking.k8s.io/v1", "ServiceMonitor": "monitoring.coreos.com/v1",
			}[o.Kind], o.APIVersion, file)
			require.NotEmpty(t, o.Metadata.Name, file)
			require.NotContains(t, all, o.Kind+" "+o.Metadata.Name)
			all[o.Kind+" "+o.Metadata.Name] = o
		}
	}
	return all
}

// What the cluster would only say, or not say, once it runs: no root, no writable root, ports that meet, labels that match.
func TestKubernetesManifestsFitTogether(t *testing.T) {
	all := kubernetes(t)
	require.Equal(t, "restricted", all["Namespace pupilrisk"].Metadata.Labels["pod-security.kubernetes.io/enforce"])
	for name, replicas := range map[string]int{"Deployment pupilrisk": 2, "StatefulSet nats": 3} {
		o := all[name]
		pod := o.Spec.Template.Spec
		labels := map[string]any{"app.kubernetes.io/name": o.Metadata.Name}
		require.Equal(t, replicas, o.Spec.Replicas)
		require.Equal(t, map[string]any{"matchLabels": labels}, o.Spec.Selector)
		require.Equal(t, o.Metadata.Name, o.Spec.Template.Metadata.Labels["app.kubernetes.io/name"])
		require.Equal(t, o.Metadata.Name, all["NetworkPolicy "+o.Metadata.Name].Spec.PodSelector.MatchLabels["app.kubernetes.io/name"])
		require.Equal(t, map[string]any{"matchLabels": labels}, all["PodDisruptionBudget "+o.Metadata.Name].Spec.Selector)
		require.True(t, pod.SecurityContext.RunAsNonRoot)
		require.Positive(t, pod.SecurityContext.RunAsUser)
		require.Equal(t, "RuntimeDefault", pod.SecurityContext.SeccompProfile["type"])
		require.False(t, *pod.AutomountServiceAccountToken)
		require.Greater(t, pod.TerminationGracePeriodSeconds, int(grace.Seconds()))
		require.Len(t, pod.Containers, 1)
		c := pod.Containers[0]
		require.False(t, *c.SecurityContext.AllowPrivilegeEscalation)
		require.True(t, c.SecurityContext.ReadOnlyRootFilesystem)
		require.Equal(t, []string{"ALL"}, c.SecurityContext.Capabilities.Drop)
		require.Empty(t, c.SecurityContext.Capabilities.Add)
		var volumes, mounts, ports []string
		for _, v := range pod.Volumes {
			volumes = append(volumes, v.Name)
		}
		for _, v := range o.Spec.VolumeClaimTemplates {
			volumes = append(volumes, v["metadata"].(map[string]any)["name"].(string))
		}
		for _, m := range c.VolumeMounts {
			mounts = append(mounts, m.Name)
			require.Equal(t, m.Name != "data", m.ReadOnly, m.Name)
		}
		require.ElementsMatch(t, volumes, mounts)
		for _, p := range c.Ports {
			ports = append(ports, p.Name)
		}
		for _, p := range []healthProbe{c.StartupProbe, c.LivenessProbe, c.ReadinessProbe} {
			if len(p.Exec.Command) == 0 {
				require.Contains(t, ports, p.HTTPGet.Port)
			}
		}
		for _, p := range all["Service "+o.Metadata.Name].Spec.Ports {
			require.Contains(t, ports, p.TargetPort)
		}
	}

	worker := all["Deployment pupilrisk"].Spec.Template.Spec.Containers[0]
	require.Equal(t, []string{"/pupilrisk", "probe"}, worker.ReadinessProbe.Exec.Command)
	// Readiness as liveness would restart every worker while the FHIR server is down.
	require.Equal(t, "/healthz", worker.LivenessProbe.HTTPGet.Path)
	environ := []string{}
	for _, e := range worker.Env {
		environ = append(environ, e.Name+"="+e.Value)
	}
	cfg, err := LoadConfig(filepath.Join("..", "deploy", "kubernetes", "pupilrisk.yaml"), environ)
	require.NoError(t, err)
	require.NoError(t, cfg.NeedFHIR())
	require.Equal(t, Shadow, cfg.Mode)
	require.Equal(t, "tls://nats:4222", cfg.NATSURL, "two workers share one stream")
	mounted := func(file string) {
		t.Helper()
		require.True(t, slices.ContainsFunc(worker.VolumeMounts, func(m volumeMount) bool { return filepath.Dir(file) == m.MountPath }), file)
	}
	mounted(cfg.FHIRTokenFile)
	mounted(cfg.NATSNKey)
	mounted(cfg.NATSCAFile)
	mounted(containerEnvironment(t)["PUPILRISK_CONFIG"])

	// The metrics port: the worker listens, the service names it, the monitor asks for it, and the policy lets it through.
	require.Equal(t, "0.0.0.0:9464", cfg.HTTPAddr)
	require.Equal(t, 9464, worker.Ports[0].ContainerPort)
	require.Equal(t, worker.Ports[0].Name, all["ServiceMonitor pupilrisk"].Spec.Endpoints[0].Port)
	require.Equal(t, worker.Ports[0].Name, all["Service pupilrisk"].Spec.Ports[0].Name)
	policy := all["NetworkPolicy pupilrisk"].Spec
	require.Equal(t, []string{"Ingress", "Egress"}, policy.PolicyTypes)
	require.Equal(t, 9464, policy.Ingress[0].Ports[0].Port)
	require.Equal(t, 4222, policy.Egress[0].Ports[0].Port)
	require.Equal(t, map[string]any{"matchLabels": map[string]any{"app.kubernetes.io/name": "pupilrisk"}}, all["ServiceMonitor pupilrisk"].Spec.Selector)
}

// The cluster's configuration is one that the NATS server accepts, with the roles of the single one.
func TestNATSClusterConfiguration(t *testing.T) {
	certificate, key := selfSigned(t)
	for name, value := range map[string]string{"POD_NAME": "nats-0", "NATS_STORE_DIR": t.TempDir(), "NATS_CERT_FILE": certificate, "NATS_KEY_FILE": key, "NATS_CA_FILE": certificate} {
		t.Setenv(name, value)
	}
	for _, name := range []string{"NATS_PUBLISHER", "NATS_WORKER", "NATS_OPERATOR", "NATS_SETUP"} {
		pair, err := nkeys.CreateUser()
		require.NoError(t, err)
		public, err := pair.PublicKey()
		require.NoError(t, err)
		t.Setenv(name, public)
	}
	dir := t.TempDir() // one directory, as in the cluster
	for _, file := range []string{"kubernetes/nats-cluster.conf", "nats/nats.conf"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, filepath.Base(file)), []byte(deployFile(t, file)), 0o600))
	}
	opts, err := server.ProcessConfigFile(filepath.Join(dir, "nats-cluster.conf"))
	require.NoError(t, err)
	require.Equal(t, "nats-0", opts.ServerName)
	require.Len(t, opts.Routes, 3)
	require.NotNil(t, opts.Cluster.TLSConfig)
	require.NotNil(t, opts.TLSConfig)
	require.Len(t, opts.Nkeys, 4)
	set := kubernetes(t)["StatefulSet nats"].Spec.Template.Spec.Containers[0]
	require.Equal(t, []int{4222, 6222, 8222}, []int{opts.Port, opts.Cluster.Port, opts.HTTPPort})
	require.Equal(t, opts.HTTPPort, set.Ports[2].ContainerPort)
}

// kustomize, where kubectl is at hand, puts the parts together.
func TestKustomizationBuilds(t *testing.T) {
	kubectl, err := exec.LookPath("kubectl")
	if err != nil {
		t.Skip("kubectl is absent")
	}
	out, err := exec.CommandContext(t.Context(), kubectl, "kustomize", "--load-restrictor", "LoadRestrictionsNone", filepath.Join("..", "deploy", "kubernetes")).CombinedOutput()
	require.NoError(t, err, string(out))
	require.Contains(t, string(out), "registry.clinic.example/pupilrisk:")
	require.NotContains(t, string(out), "\n        image: pupilrisk\n")
	require.Regexp(t, `name: nats-[a-z0-9]{10}\n`, string(out), "pods roll when the configuration changes")
}

// composeFile is what compose.yaml uses of its own format.
type composeFile struct {
	Name     string
	Services map[string]struct {
		Image string
		Build struct {
			Context, Dockerfile string
			Args                map[string]string
		}
		User            string
		ReadOnly        bool     `yaml:"read_only"`
		CapDrop         []string `yaml:"cap_drop"`
		SecurityOpt     []string `yaml:"security_opt"`
		MemLimit        string   `yaml:"mem_limit"`
		PidsLimit       int      `yaml:"pids_limit"`
		Restart         string
		StopGracePeriod string `yaml:"stop_grace_period"`
		Environment     map[string]string
		EnvFile         []string `yaml:"env_file"`
		Volumes         []string
		Secrets         []string
		Ports           []string
		Command         []string
		DependsOn       []string `yaml:"depends_on"`
	}
	Secrets map[string]struct{ File string }
	Volumes map[string]struct{}
}

// The compose files: nothing as root where the image allows it, files that exist, ports that meet, secrets that are declared.
func TestComposeFilesFitTogether(t *testing.T) {
	dir := filepath.Join("..", "deploy", "compose")
	base, over := documents[composeFile](t, filepath.Join(dir, "compose.yaml"))[0], documents[composeFile](t, filepath.Join(dir, "compose.nats.yaml"))[0]
	local := []string{"./pupilrisk.yaml"} // the clinic's own
	for _, f := range []composeFile{base, over} {
		for name, s := range f.Services {
			if s.Image != "" {
				require.Equal(t, []string{"ALL"}, s.CapDrop, name)
				require.Equal(t, []string{"no-new-privileges:true"}, s.SecurityOpt, name)
				require.Regexp(t, `:[^:]+$`, s.Image, "a version: %s", name)
			}
			for _, v := range s.Volumes {
				source, _, _ := strings.Cut(v, ":")
				if !strings.HasPrefix(source, ".") {
					require.Contains(t, f.Volumes, source, name)
				} else if !slices.Contains(local, source) {
					require.FileExists(t, filepath.Join(dir, source)+dirSuffix(filepath.Join(dir, source)))
					require.True(t, strings.HasSuffix(v, ":ro"), v)
				}
			}
			for _, secret := range s.Secrets {
				require.Contains(t, f.Secrets, secret, name)
			}
			for variable, value := range s.Environment {
				if secret, ok := strings.CutPrefix(value, "/run/secrets/"); ok {
					require.Contains(t, s.Secrets, secret, variable)
				}
			}
			for _, p := range s.Ports {
				require.True(t, name == "nats" || strings.HasPrefix(p, "127.0.0.1:"), "only NATS, which asks for a key, is reached from outside")
			}
		}
	}
	worker := base.Services["worker"]
	require.True(t, worker.ReadOnly)
	require.Equal(t, "65532:65532", worker.User)
	require.FileExists(t, filepath.Join(dir, worker.Build.Context, worker.Build.Dockerfile))
	require.Contains(t, worker.Volumes, "state:"+containerEnvironment(t)["PUPILRISK_NATS_STORE_DIR"])
	environ := []string{}
	for _, environment := range []map[string]string{worker.Environment, over.Services["worker"].Environment} {
		for k, v := range environment {
			environ = append(environ, k+"="+v)
		}
		cfg, err := LoadConfig(filepath.Join("..", "deploy", "pupilrisk.example.yaml"), environ)
		require.NoError(t, err)
		require.Equal(t, "0.0.0.0:9464", cfg.HTTPAddr)
		require.Equal(t, "/run/secrets/fhir-token", cfg.FHIRTokenFile)
	}
	require.Contains(t, deployFile(t, "prometheus", "prometheus.yaml"), `targets: ["worker:9464"]`)
	require.Contains(t, deployFile(t, "prometheus", "prometheus.yaml"), "job_name: pupilrisk")
	require.Contains(t, base.Services["grafana"].Volumes, "../grafana/pupilrisk.json:/var/lib/grafana/dashboards/pupilrisk.json:ro")
	require.Contains(t, deployFile(t, "compose", "grafana", "dashboards", "pupilrisk.yaml"), "path: /var/lib/grafana/dashboards\n")
}

// dirSuffix lets FileExists take a directory that holds something, by the first file in it.
func dirSuffix(path string) string {
	entries, err := os.ReadDir(path)
	if err != nil || len(entries) == 0 {
		return ""
	}
	return string(filepath.Separator) + entries[0].Name()
}

// containerEnvironment is what the image sets.
func containerEnvironment(t *testing.T) map[string]string {
	t.Helper()
	environment := map[string]string{}
	for _, m := range regexp.MustCompile(`([A-Z_]+)=(\S+)`).FindAllStringSubmatch(regexp.MustCompile(`(?m)^ENV .*$`).FindString(deployFile(t, "container", "Containerfile")), -1) {
		environment[m[1]] = m[2]
	}
	return environment
}

// The image: nothing in it but the program and the authorities, no root, and the worker's own health check.
func TestContainerfile(t *testing.T) {
	text := deployFile(t, "container", "Containerfile")
	_, final, found := strings.Cut(text, "\nFROM scratch\n")
	require.True(t, found)
	require.Contains(t, final, "USER 65532:65532\n")
	require.Contains(t, final, `CMD ["/pupilrisk", "probe"]`)
	require.Contains(t, final, `ENTRYPOINT ["/pupilrisk"]`)
	require.Contains(t, text, "CGO_ENABLED=0")
	environ := []string{}
	for k, v := range containerEnvironment(t) {
		if strings.HasPrefix(k, EnvPrefix) {
			environ = append(environ, k+"="+v)
		}
	}
	cfg, err := LoadConfig("", environ)
	require.NoError(t, err)
	require.Contains(t, final, "VOLUME "+cfg.NATSStoreDir+"\n")
}
