package daemon

import (
	"bytes"
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha512"
	"encoding/hex"
	"encoding/xml"
	"fmt"
	"maps"
	"math/big"
	"path"
	"strings"
)

// The oracle reads manifests by itself, by what the standard says of them: ASC
// MHL v1.0, sections 5 (manifest) and 6 (chain).

type chainFile struct {
	Lists []struct {
		Path string `xml:"path"`
		C4   string `xml:"c4"`
	} `xml:"hashlist"`
}

type manifestFile struct {
	Hashes []struct {
		Path struct {
			Size int64  `xml:"size,attr"`
			Name string `xml:",chardata"`
		} `xml:"path"`
		MD5  string `xml:"md5"`
		SHA1 string `xml:"sha1"`
		C4   string `xml:"c4"`
		XXH  string `xml:"xxh128"`
	} `xml:"hashes>hash"`
}

// c4 is the C4 identifier of data: SMPTE ST 2114, a SHA-512 in base 58.
func c4(data []byte) string {
	const digits = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
	sum := sha512.Sum512(data)
	rest, base, digit := new(big.Int).SetBytes(sum[:]), big.NewInt(58), new(big.Int)
	out := bytes.Repeat([]byte{'1'}, 88)
	for i := len(out) - 1; rest.Sign() > 0; i-- {
		rest.DivMod(rest, base, digit)
		out[i] = digits[digit.Int64()]
	}
	return "c4" + string(out)
}

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
	if why := judgeManifest(tree, payload); why != "" {
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

func judgeManifest(tree, payload map[string][]byte) string {
	var chain chainFile
	if err := xml.Unmarshal(tree["ascmhl/ascmhl_chain.xml"], &chain); err != nil {
		return fmt.Sprintf("its chain cannot be read: %v", err)
	}
	if len(chain.Lists) == 0 {
		return "its chain names no manifest"
	}
	for _, l := range chain.Lists {
		if c4(tree["ascmhl/"+l.Path]) != l.C4 {
			return fmt.Sprintf("manifest %s is not what the chain says", l.Path)
		}
	}
	var m manifestFile
	newest := tree["ascmhl/"+chain.Lists[len(chain.Lists)-1].Path]
	if err := xml.Unmarshal(newest, &m); err != nil {
		return fmt.Sprintf("its manifest cannot be read: %v", err)
	}
	left := maps.Clone(payload)
	for _, h := range m.Hashes {
		data, ok := left[h.Path.Name]
		if !ok {
			return fmt.Sprintf("its manifest lists %q, which is not there", h.Path.Name)
		}
		delete(left, h.Path.Name)
		if int64(len(data)) != h.Path.Size {
			return fmt.Sprintf("%q has %d bytes instead of %d", h.Path.Name, len(data), h.Path.Size)
		}
		md, sh := md5.Sum(data), sha1.Sum(data)
		switch {
		case h.MD5+h.SHA1+h.C4+h.XXH == "":
			return fmt.Sprintf("%q has no checksum", h.Path.Name)
		case h.MD5 != "" && h.MD5 != hex.EncodeToString(md[:]), h.SHA1 != "" && h.SHA1 != hex.EncodeToString(sh[:]), h.C4 != "" && h.C4 != c4(data):
			return fmt.Sprintf("%q does not have the checksum in its manifest", h.Path.Name)
		}
	}
	for name := range left {
		return fmt.Sprintf("%q is not in its manifest", name)
	}
	return ""
}
