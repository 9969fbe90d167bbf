package status

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"

	"bothy/daemon/state"
)

// webFolder makes a web file for TLS and one user, with a certificate that is its own
// authority. The keys are those of the toolkit's documentation,
// docs/web-configuration.md in github.com/prometheus/exporter-toolkit.
func webFolder(t *testing.T, password string) (file string, trusted *x509.CertPool) {
	t.Helper()
	dir := t.TempDir()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "skerry-2"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Unix(0, 0), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	cert, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	hash, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	trusted = x509.NewCertPool()
	for name, block := range map[string]*pem.Block{"box.crt": {Type: "CERTIFICATE", Bytes: cert}, "box.key": {Type: "PRIVATE KEY", Bytes: private}} {
		data := pem.EncodeToMemory(block)
		write(t, filepath.Join(dir, name), string(data))
		trusted.AppendCertsFromPEM(data)
	}
	file = filepath.Join(dir, "web.yml")
	write(t, file, fmt.Sprintf("tls_server_config:\n  cert_file: box.crt\n  key_file: box.key\nbasic_auth_users:\n  shore: %s\n", hash))
	return file, trusted
}

func write(t *testing.T, file, text string) {
	t.Helper()
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// runOn serves on loopback until the test ends, or reports why it does not.
func runOn(t *testing.T, c Config) (address string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	opened := make(chan struct{})
	c.Listener, c.Opened = l, func() { close(opened) }
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- Run(ctx, c) }()
	select {
	case <-opened:
	case err := <-ended:
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
	return l.Addr().String()
}

// With a web file everything that is served asks for what it says: TLS and a password.
func TestRun_protected(t *testing.T) {
	t.Parallel()
	file, trusted := webFolder(t, "guillemot")
	p := publisher(sampleState())
	address := runOn(t, Config{States: p, WebConfig: file, Metrics: http.NotFoundHandler()})
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trusted}}
	defer transport.CloseIdleConnections()
	ask := func(scheme, path, password string) (int, string) {
		t.Helper()
		r, err := http.NewRequest(http.MethodGet, scheme+"://"+address+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		if password != "" {
			r.SetBasicAuth("shore", password)
		}
		resp, err := transport.RoundTrip(r)
		if err != nil {
			t.Fatalf("%s %s: %v", scheme, path, err)
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(body)
	}
	for _, path := range []string{"/", "/page.css", "/healthz", "/metrics", "/v1/status", "/v1/offloads", "/v1/drives", "/v1/events", "/reports/today.html"} {
		if code, body := ask("http", path, "guillemot"); code != http.StatusBadRequest {
			t.Errorf("%s without TLS: %d %s", path, code, body)
		}
		for _, password := range []string{"", "razorbill"} {
			if code, body := ask("https", path, password); code != http.StatusUnauthorized || strings.Contains(body, "SKUA") {
				t.Errorf("%s with password %q: %d %s", path, password, code, body)
			}
		}
	}
	if code, body := ask("https", "/v1/status", "guillemot"); code != http.StatusOK || !strings.Contains(body, "SKUA") {
		t.Errorf("with the password: %d %s", code, body)
	}
	sound, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	users := strings.Index(string(sound), "basic_auth_users")
	for _, text := range []string{string(sound[:users]), string(sound[:users]) + "basic_auth_users:\n  #shore: x\n"} {
		write(t, file, text) // as a disk that is full leaves it
		if code, body := ask("https", "/v1/status", ""); code != http.StatusInternalServerError || strings.Contains(body, "SKUA") {
			t.Errorf("with a web file that says\n%s\n%d %s", text, code, body)
		}
	}
	write(t, file, string(sound))
	if code, body := ask("https", "/v1/status", "guillemot"); code != http.StatusOK {
		t.Errorf("with the file whole again: %d %s", code, body)
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	if code, body := ask("https", "/v1/status", "guillemot"); code != http.StatusInternalServerError || strings.Contains(body, "SKUA") {
		t.Errorf("with the web file gone: %d %s", code, body)
	}
}

// A web file that is not understood protects nothing, so nothing is served.
func TestRun_webFileWrong(t *testing.T) {
	t.Parallel()
	sound, _ := webFolder(t, "guillemot")
	text, err := os.ReadFile(sound)
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"no certificate":   strings.Replace(string(text), "box.crt", "other.crt", 1),
		"key for none":     strings.Replace(string(text), "  cert_file: box.crt\n", "", 1),
		"unknown key":      string(text) + "basic_auth: {}\n",
		"password in open": "basic_auth_users:\n  shore: guillemot\n",
		"no YAML":          "[status]",
		"empty":            "",
		"nobody":           "basic_auth_users:\n  #shore: x\n",
		"no demand":        "http_server_config: { http2: false }\n",
		"password alone":   "basic_auth_users: guillemot\n",
	} {
		file := filepath.Join(filepath.Dir(sound), strings.ReplaceAll(name, " ", "-"))
		write(t, file, text)
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		c := Config{Listener: l, WebConfig: file, States: &state.Publisher{}, Opened: func() { t.Errorf("%s: it was served", name) }}
		if err := Run(t.Context(), c); err == nil || !strings.Contains(err.Error(), "web file") || strings.Contains(err.Error(), "guillemot") {
			t.Errorf("%s: %v", name, err)
		}
		if conn, err := net.Dial("tcp", l.Addr().String()); err == nil {
			conn.Close()
			t.Errorf("%s: the socket is still open", name)
		}
	}
	if err := Run(t.Context(), Config{Address: "127.0.0.1:0", WebConfig: filepath.Join(t.TempDir(), "none.yml"), States: &state.Publisher{}}); err == nil {
		t.Error("a web file that is missing was no error")
	}
}
