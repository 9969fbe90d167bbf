package told

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// root is where the repository begins.
const root = "../.."

// page is one document.
type page struct {
	name   string // from the root of the repository
	text   string
	blocks []line // commands of their own, one a line
	spans  []line // what is marked as literal within a sentence
}

// line is something literal, and where it stands.
type line struct {
	page, text string
	number     int
}

func (l line) String() string { return l.page + ": " + l.text }

// pages reads all documents. One that is added is found.
func pages(t *testing.T) []page {
	t.Helper()
	names := []string{"README.md", "DEVELOPERS.md"}
	for _, pattern := range []string{"deploy/*.md", "deploy/*/*.md", "deploy/man/*"} {
		found, err := filepath.Glob(filepath.Join(root, pattern))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range found {
			names = append(names, strings.TrimPrefix(f, root+"/"))
		}
	}
	// Files of the box that tell their reader in a comment what to type.
	names = append(names, "deploy/policy.toml", "deploy/debian/policy.toml", "deploy/bothy.socket")
	if len(names) < 12 {
		t.Fatalf("documents are not where they were: %q", names)
	}
	var all []page
	for _, name := range names {
		data, err := os.ReadFile(filepath.Join(root, name))
		if err != nil {
			t.Fatal(err)
		}
		p := page{name: name, text: string(data)}
		switch {
		case strings.HasSuffix(name, ".md"):
			p.markdown(t)
		case strings.HasPrefix(name, "deploy/man/"):
			p.manual()
		default:
			p.comments()
		}
		all = append(all, p)
	}
	return all
}

// kinds are what a fence may hold: a command is not to hide in one that is not read.
var kinds = []string{"sh", "text", "toml"}

var span = regexp.MustCompile("`([^`]+)`")

func (p *page) markdown(t *testing.T) {
	t.Helper()
	fence, paragraph, began := "", "", 0
	for i, text := range strings.Split(p.text, "\n") {
		kind, isFence := strings.CutPrefix(text, "```")
		switch {
		case isFence && fence == "":
			if !slices.Contains(kinds, kind) {
				t.Errorf("%s:%d: a fence of kind %q; say one of %q", p.name, i+1, kind, kinds)
			}
			fence = "```" + kind
		case isFence:
			fence = ""
		case fence == "```sh":
			if command := uncommented(text); command != "" {
				p.blocks = append(p.blocks, line{p.name, command, i + 1})
			}
		case fence == "":
			if paragraph == "" {
				began = i + 1
			}
			paragraph += text + "\n"
		}
		// A span may go over the end of a line, and not over that of a paragraph.
		if isFence || text == "" || strings.HasPrefix(text, "|") {
			for _, m := range span.FindAllStringSubmatch(paragraph, -1) {
				literal := strings.ReplaceAll(strings.Join(strings.Fields(m[1]), " "), `\|`, "|")
				p.spans = append(p.spans, line{p.name, literal, began})
			}
			paragraph = ""
		}
	}
	if fence != "" {
		t.Errorf("%s: a fence has no end", p.name)
	}
}

// uncommented takes away what the shell would not read.
func uncommented(text string) string {
	return strings.TrimSpace(regexp.MustCompile(`(^|\s)#.*$`).ReplaceAllString(text, ""))
}

// comments reads those of a file that programs read: a command of its own is set in, a
// literal within a sentence stands between backquotes.
func (p *page) comments() {
	for i, text := range strings.Split(p.text, "\n") {
		said, isComment := strings.CutPrefix(text, "#")
		command, isCommand := strings.CutPrefix(said, "     ")
		switch {
		case isComment && isCommand:
			p.blocks = append(p.blocks, line{p.name, uncommented(command), i + 1})
		case isComment:
			for _, m := range span.FindAllStringSubmatch(said, -1) {
				p.spans = append(p.spans, line{p.name, m[1], i + 1})
			}
		}
	}
}

// quoted is what a manual page marks within a sentence.
var quoted = regexp.MustCompile(`(?:^|[\s(,;:])'([^'\n]+)'`)

func (p *page) manual() {
	plain := strings.NewReplacer(`\&`, "", `\(rs`, `\`, `\-`, "-", `\(dq`, `"`)
	literal := false
	for i, text := range strings.Split(p.text, "\n") {
		switch {
		case strings.HasPrefix(text, `.\"`):
		case text == ".nf":
			literal = true
		case text == ".fi":
			literal = false
		case literal && p.name == "deploy/man/bothy-policy.5": // a policy, which has a test of its own
		case literal:
			if command := uncommented(plain.Replace(text)); command != "" {
				p.blocks = append(p.blocks, line{p.name, command, i + 1})
			}
		case regexp.MustCompile(`^\.(B|BR|I|SS) `).MatchString(text):
			_, said, _ := strings.Cut(text, " ")
			if inside, isQuoted := strings.CutPrefix(said, `"`); isQuoted {
				said, _, _ = strings.Cut(inside, `"`)
			}
			p.spans = append(p.spans, line{p.name, plain.Replace(strings.ReplaceAll(said, `\\`, `\`)), i + 1})
		default:
			for _, m := range quoted.FindAllStringSubmatch(plain.Replace(text), -1) {
				p.spans = append(p.spans, line{p.name, m[1], i + 1})
			}
		}
	}
}

// programs are those that documents tell people to call. A span that begins with one
// of them and says more than its name is a command.
var programs = regexp.MustCompile(`^([A-Z_]+=\S+ )?(sudo )?(bothy|go|git|man|apt|apt-get|systemctl|systemd-\w+|journalctl|promtool|amtool|udevadm|lsblk|ls|ss|cp|curl|\./\S+|deploy/package) (\S.*)$`)

// commands are all that a reader might type: the lines of blocks, and the spans that
// call a program.
func (p page) commands() []line {
	all := slices.Clone(p.blocks)
	for _, s := range p.spans {
		if programs.MatchString(s.text) && !strings.HasSuffix(s.text, ")") || s.text == "./testdata/check" || s.text == "./testdata/bench" || s.text == "sudo ./testdata/bench" {
			all = append(all, s)
		}
	}
	return all
}

// What is read of a document is what stands there.
func TestPages_commands(t *testing.T) {
	t.Parallel()
	m := page{name: "x.md", text: "Say `go vet\n./...` or `xmllint` to\n```sh\n./run   # now\n# no\n\ngo test ./x -run 'A#b'\n```\n| `bothy list a\\|b` |\nend `man x`\n"}
	m.markdown(t)
	man := page{name: "x.1", text: ".PP\nIt says 'bothy list', and it's not 'x'\n.nf\nbothy a \\-\\-to 'c\\(rs' # why\n.fi\n.B \"bothy x \\\\-\\\\-y\"\n"}
	man.manual()
	config := page{name: "x.toml", text: "# Say `bothy list`:\n#\n#     bothy x   # why\n#[box]\nkey = 1 #     no\n"}
	config.comments()
	var got []string
	for _, c := range slices.Concat(m.commands(), man.commands(), config.commands()) {
		got = append(got, c.text)
	}
	want := []string{"./run", "go test ./x -run 'A#b'", "go vet ./...", "bothy list a|b", "man x", `bothy a --to 'c\'`, "bothy list", "bothy x --y", "bothy x", "bothy list"}
	if !slices.Equal(got, want) {
		t.Errorf("read\n%q, want\n%q", got, want)
	}
}
