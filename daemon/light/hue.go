package light

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
)

// setHue gives an LED of several colours the one wanted. An LED of one colour
// has no multi_index and is left as it is.
func (l *led) setHue(colour Colour) error {
	index, err := l.files.Read(l.name, "multi_index")
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	want := mix(strings.Fields(index), colour, l.full)
	if l.reads("multi_intensity", want) {
		return nil
	}
	if err := l.files.Write(l.name, "multi_intensity", want); err != nil {
		return fmt.Errorf("set its colour: %w", err)
	}
	return nil
}

// mix returns the intensity of each component, in the order of index, that
// together make the colour. Where the components cannot make it, and for
// NoColour, all of them light: the pattern must be seen whatever the colour.
func mix(index []string, colour Colour, full string) string {
	recipes := map[Colour][][]string{
		Red:    {{"red"}},
		Green:  {{"green"}},
		Yellow: {{"yellow"}, {"amber"}, {"red", "green"}},
	}
	lit := index
	for _, recipe := range recipes[colour] {
		if !slices.ContainsFunc(recipe, func(part string) bool { return !slices.Contains(index, part) }) {
			lit = recipe
			break
		}
	}
	levels := make([]string, len(index))
	for i, part := range index {
		levels[i] = "0"
		if slices.Contains(lit, part) {
			levels[i] = full
		}
	}
	return strings.Join(levels, " ")
}
