package daemon

import (
	"bytes"
	"fmt"
	"path"
	"strings"

	"bothy/testdata/oracle"
)

// tree is what a folder holds, by path: as it is, or as a cut would leave it.
func (n *node) tree(durable bool) map[string][]byte {
	all := map[string][]byte{}
	n.collect(durable, "", all)
	return all
}

func (n *node) collect(durable bool, name string, all map[string][]byte) {
	for e, child := range n.entries(durable) {
		at := path.Join(name, e)
		if child.isDir() {
			child.collect(durable, at, all)
			continue
		}
		if !durable {
			all[at] = child.data
		} else if child.isFlushed {
			all[at] = child.flushed
		}
	}
}

func (n *node) entries(durable bool) map[string]*node {
	if durable {
		return n.durable
	}
	return n.live
}

// verdict is what the oracle found about a folder that calls itself finished.
type verdict struct {
	why  string // what is wrong with it; empty: nothing
	fill *fill  // whose files it holds
}

// judgeFolder says whether a finished folder is what it should be: its manifest
// is whole, lists what is there and nothing else, and all of it is what one card
// held at one time.
func judgeFolder(tree map[string][]byte, fills []*fill, incomplete bool) verdict {
	payload := map[string][]byte{}
	for name, data := range tree {
		if !strings.HasPrefix(name, "ascmhl/") {
			payload[name] = data
		}
	}
	if why := judgeManifest(tree); why != "" {
		return verdict{why: why}
	}
	why := "it holds nothing"
	for _, f := range fills {
		if why = unlike(payload, f); why == "" {
			return verdict{fill: f}
		}
	}
	if len(payload) == 0 && incomplete {
		return verdict{}
	}
	return verdict{why: "no card ever held this: " + why}
}

func unlike(payload map[string][]byte, f *fill) string {
	for name, data := range payload {
		want, ok := f.files[name]
		if !ok {
			return fmt.Sprintf("%q is not on it", name)
		}
		if !bytes.Equal(data, want) {
			return fmt.Sprintf("%q has other bytes", name)
		}
	}
	return ""
}

// judgeManifest has the folder's own history looked at. The bytes are compared
// with those of the card, so that no checksum of xxHash is needed here.
func judgeManifest(all map[string][]byte) string {
	tree := oracle.Tree{}
	for name, data := range all {
		tree[name] = oracle.Entry{Data: data}
	}
	if faults := oracle.Faults(tree, "xxh128"); len(faults) > 0 {
		return faults[0]
	}
	return ""
}
