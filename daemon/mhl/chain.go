package mhl

import (
	"encoding/xml"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"bothy/daemon/checksum"
)

// link is one entry of a chain.
type link struct {
	number int
	name   string // of the manifest, within the ascmhl folder
	c4     string
}

// manifestName is the form of section 6.3, with the Z optional on reading since
// the standard's own Appendix F leaves it out.
var manifestName = regexp.MustCompile(`^([0-9]{4})_.*\.mhl$`)

// numberOf gives the generation number in a manifest's name, 0 when it has
// none.
func numberOf(name string) int {
	parts := manifestName.FindStringSubmatch(name)
	if parts == nil {
		return 0
	}
	n, err := strconv.Atoi(parts[1])
	if err != nil {
		return 0
	}
	return n
}

func readChain(r io.Reader) ([]link, error) {
	doc := newDocument(r, chainSpace)
	var links []link
	err := doc.root("ascmhldirectory", func(xml.StartElement) error {
		return doc.children(func(start xml.StartElement) error {
			if start.Name.Local != "hashlist" {
				return doc.skip()
			}
			entry, err := readLink(doc, start)
			if err != nil {
				return err
			}
			if len(links) > 0 && entry.number <= links[len(links)-1].number {
				return fmt.Errorf("generation %d follows generation %d", entry.number, links[len(links)-1].number)
			}
			links = append(links, entry)
			return nil
		})
	})
	if err == nil && len(links) == 0 {
		err = fmt.Errorf("it names no manifest")
	}
	if err != nil {
		return nil, err
	}
	return links, nil
}

func readLink(doc *document, start xml.StartElement) (entry link, err error) {
	entry.number, err = strconv.Atoi(strings.TrimSpace(attribute(start, "sequencenr")))
	if err != nil || entry.number < 1 || entry.number > maxGenerations {
		return link{}, fmt.Errorf("an entry has no usable sequence number")
	}
	err = doc.children(func(start xml.StartElement) (err error) {
		switch start.Name.Local {
		case "path":
			entry.name, err = doc.text()
		case checksum.C4:
			entry.c4, err = doc.text()
			entry.c4 = strings.TrimSpace(entry.c4)
		default:
			err = doc.skip()
		}
		return err
	})
	if err != nil {
		return link{}, err
	}
	// A plain name with the entry's own number, or somebody wants us elsewhere.
	if numberOf(entry.name) != entry.number || strings.ContainsAny(entry.name, `/\`) || !EncodablePath(entry.name) {
		return link{}, fmt.Errorf("entry %d names %.60q, which isn't a manifest in this folder", entry.number, entry.name)
	}
	if _, err := checksum.Decode(checksum.C4, entry.c4); err != nil {
		return link{}, fmt.Errorf("entry %d: %w", entry.number, err)
	}
	return entry, nil
}
