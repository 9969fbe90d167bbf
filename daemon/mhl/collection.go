package mhl

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"bothy/daemon/checksum"
)

// CollectionName is what the standard calls the file that names manifests whose
// folders have nothing to do with each other, as those of a delivery.
const CollectionName = "ascmhl_collection.xml"

// Member is a manifest that a collection names.
type Member struct {
	Path string // from the folder that the collection lies in
	C4   string // of the manifest
}

// CollectionBegin is how a collection begins that WriteCollection made for an
// owner. It is a comment, which says nothing to those who read the standard's
// files.
func CollectionBegin(owner string) string {
	return xmlDeclaration + "<!-- bothy collection of box " + strings.ReplaceAll(owner, "--", "__") + " -->\n"
}

// WriteCollection writes a collection of at least one manifest, in the form of a
// chain (the standard's section 8; its schema is that of Appendix E).
func WriteCollection(w io.Writer, owner string, members []Member) error {
	if len(members) == 0 {
		return errors.New("write collection: it names no manifest")
	}
	for _, m := range members {
		if !EncodablePath(m.Path) {
			return fmt.Errorf("write collection: %.200q cannot stand in it", m.Path)
		}
	}
	x := startXML(w, CollectionBegin(owner))
	x.groupWith("ascmhldirectory", attr{"xmlns", chainSpace}, attr{}, func() {
		for i, m := range members {
			x.groupWith("hashlist", attr{"sequencenr", strconv.Itoa(i + 1)}, attr{}, func() {
				x.text("path", m.Path)
				x.text(checksum.C4, m.C4)
			})
		}
	})
	return x.finish()
}
