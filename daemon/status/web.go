package status

import (
	"errors"
	"net/http"
	"os"
	"regexp"

	"github.com/prometheus/exporter-toolkit/web"
	"go.yaml.in/yaml/v2"
)

// protection is what a web file asks of who wants to see something.
type protection struct{ tls, password bool }

// errNoProtection: the toolkit takes such a file for a wish to serve everybody.
var errNoProtection = errors.New("it asks for neither TLS nor a password; leave web_config out of the policy to serve without")

func readWebFile(file string) (protection, error) {
	if err := web.Validate(file); err != nil {
		return protection{}, discreet(err)
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return protection{}, err
	}
	var c web.Config
	if err := yaml.Unmarshal(data, &c); err != nil {
		return protection{}, discreet(err)
	}
	p := protection{tls: c.TLSConfig.IsEnabled(), password: len(c.Users) > 0}
	if p == (protection{}) {
		return p, errNoProtection
	}
	return p, nil
}

// guard refuses what comes through when the file asks for less than p. The toolkit
// reads it again for each request, and a file that was cut short, by a full disk
// perhaps, would let everybody in.
func (p protection) guard(file string, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		now, err := readWebFile(file)
		if err != nil || p.tls && !now.tls || p.password && !now.password {
			sendProblem(w, r, http.StatusInternalServerError, "the web file asks for less than it did when the page was opened; 'systemctl reload bothy' has it read anew")
			return
		}
		next.ServeHTTP(w, r)
	})
}

// A value that stands in the wrong place may be a password.
var quotedValue = regexp.MustCompile("`[^`]*`")

// discreet leaves the values out of what is wrong with a web file.
func discreet(err error) error {
	var wrong *yaml.TypeError
	if !errors.As(err, &wrong) {
		return err
	}
	return errors.New(quotedValue.ReplaceAllString(wrong.Error(), "(a value)"))
}
