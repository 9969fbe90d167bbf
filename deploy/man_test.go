package deploy

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"bothy/policy"
)

// Every key that the sample policy uses is explained in the page, and the page's
// own example is a sound policy.
func TestPolicyPage_knows_the_keys(t *testing.T) {
	t.Parallel()
	data, err := os.ReadFile("man/bothy-policy.5")
	if err != nil {
		t.Fatal(err)
	}
	page := strings.ReplaceAll(string(data), `\-`, "-")
	_, rest, _ := strings.Cut(page, ".nf\n")
	example, _, found := strings.Cut(rest, ".fi\n")
	if !found {
		t.Fatal("the page has no example")
	}
	if _, err := policy.Parse("bothy-policy.5", []byte(example)); err != nil {
		t.Errorf("the page's example: %v", err)
	}
	sample, err := os.ReadFile("policy.toml")
	if err != nil {
		t.Fatal(err)
	}
	keys := regexp.MustCompile(`(?m)^#?([a-z_]+) *=`).FindAllStringSubmatch(string(sample), -1)
	if len(keys) == 0 {
		t.Fatal("the sample has no keys")
	}
	for _, k := range keys {
		if !regexp.MustCompile(`(?m)^\.BR? .*\b` + k[1] + `\b`).MatchString(page) {
			t.Errorf("the page does not explain %s", k[1])
		}
	}
}
