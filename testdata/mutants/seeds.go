package mutants

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// corpusHead is the first line of a file of seeds ("go test -fuzz" writes it).
const corpusHead = "go test fuzz v1"

// committed reads a folder of seeds in the form of "go test -fuzz"; one that is not
// there has none. Arguments are texts or bytes, as with all targets here.
func committed(folder string) (seeds []Seed, err error) {
	files, err := os.ReadDir(folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	for _, f := range files {
		data, err := os.ReadFile(filepath.Join(folder, f.Name()))
		if err != nil {
			return nil, err
		}
		s, err := parseSeed(string(data))
		if err != nil {
			return nil, fmt.Errorf("read seed %s: %w", filepath.Join(folder, f.Name()), err)
		}
		seeds = append(seeds, s)
	}
	return seeds, nil
}

func parseSeed(text string) (s Seed, err error) {
	head, rest, _ := strings.Cut(text, "\n")
	if strings.TrimSpace(head) != corpusHead {
		return nil, fmt.Errorf("it does not begin with %q", corpusHead)
	}
	for line := range strings.Lines(rest) {
		line = strings.TrimSpace(line)
		if line == "" {
			continue
		}
		quoted, ok := strings.CutPrefix(line, "[]byte(")
		if !ok {
			quoted, ok = strings.CutPrefix(line, "string(")
		}
		quoted, closed := strings.CutSuffix(quoted, ")")
		part, err := strconv.Unquote(quoted)
		if !ok || !closed || err != nil {
			return nil, fmt.Errorf("neither text nor bytes: %.60s", line)
		}
		s = append(s, part)
	}
	if len(s) == 0 {
		return nil, errors.New("it is empty")
	}
	return s, nil
}

// written is a seed in that form. Targets with one argument take bytes, and those with
// several take texts.
func written(input [][]byte) string {
	kind := "[]byte"
	if len(input) > 1 {
		kind = "string"
	}
	var b strings.Builder
	b.WriteString(corpusHead)
	for _, part := range input {
		fmt.Fprintf(&b, "\n%s(%q)", kind, part)
	}
	return b.String()
}

// maxToken bounds what is taken out of seeds to be put into others, in bytes.
const maxToken = 400

// tokensOf lists what seeds are made of: words, lines, and pieces between signs that
// open and close something. Each once, in the order in which it is found.
func tokensOf(texts [][]byte) (tokens [][]byte) {
	seen := map[string]bool{}
	add := func(token []byte) {
		if len(token) > 0 && len(token) <= maxToken && !seen[string(token)] {
			seen[string(token)] = true
			tokens = append(tokens, bytes.Clone(token))
		}
	}
	for _, b := range texts {
		for at := 0; at < len(b); {
			i, j := wordAt(b, at)
			add(b[i:j])
			at = max(j, at+1)
		}
		for at := 0; at < len(b); {
			i, j := lineAt(b, at)
			add(b[i:j])
			at = max(j, at+1)
		}
		for at := 0; at < len(b); at++ {
			i, j := pieceAt(b, at)
			add(b[i:j])
			at = max(i, at)
			i, j = elementAt(b, at)
			add(b[i:j])
		}
	}
	return tokens
}
