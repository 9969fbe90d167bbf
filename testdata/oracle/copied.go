package oracle

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
	"slices"
	"strings"
)

// copied is one finished folder.
type copied struct {
	files Tree            // without its own history
	sound map[string]bool // files that the newest manifest lists with their right checksum
	taken []string        // algorithms that are not computed
}

// hashlist is as much of a manifest (ASC MHL v1.0) as is judged here.
type hashlist struct {
	XMLName xml.Name `xml:"hashlist"`
	Hashes  []struct {
		Path struct {
			Name string `xml:",chardata"`
			Size *int64 `xml:"size,attr"`
		} `xml:"path"`
		MD5  *digest `xml:"md5"`
		SHA1 *digest `xml:"sha1"`
		C4   *digest `xml:"c4"`
		XXH  *digest `xml:"xxh128"`
	} `xml:"hashes>hash"`
}

type digest struct {
	Value  string `xml:",chardata"`
	Action string `xml:"action,attr"`
}

const chainName = "ascmhl_chain.xml"

// chain is the list of a history's manifests.
type chain struct {
	XMLName xml.Name `xml:"ascmhldirectory"`
	Lists   []link   `xml:"hashlist"`
}

type link struct {
	Number int    `xml:"sequencenr,attr"`
	Path   string `xml:"path"`
	C4     string `xml:"c4"`
}

// Faults says what is wrong with a finished folder by its own history: a manifest
// that is not the chain's, a file that is not the manifest's, a file too many or
// too few. Checksums by the algorithms named in taken are not computed: who asks
// has the original bytes to compare with.
func Faults(folder Tree, taken ...string) []string {
	_, faults := openCopy(folder, taken...)
	return faults
}

// openCopy holds the files of a finished folder against its own history.
func openCopy(all Tree, taken ...string) (c copied, faults []string) {
	c = copied{files: Tree{}, sound: map[string]bool{}, taken: taken}
	for name, e := range all {
		if name != history && !strings.HasPrefix(name, history+"/") {
			c.files[name] = e
		}
	}
	faults = c.prove(all)
	for _, name := range slices.Sorted(maps.Keys(c.files)) {
		if c.files[name].Mode.IsRegular() && !c.sound[name] && len(faults) == 0 {
			faults = append(faults, fmt.Sprintf("%q is in no manifest", name))
		}
	}
	return c, faults
}

// prove walks the generations: each manifest must be what the chain says, and
// each file what each manifest says.
func (c copied) prove(all Tree) (faults []string) {
	var links chain
	if err := xml.Unmarshal(all[path.Join(history, chainName)].Data, &links); err != nil {
		return []string{"its chain cannot be read: " + err.Error()}
	}
	if len(links.Lists) == 0 {
		return []string{"its chain names no manifest"}
	}
	for _, l := range links.Lists {
		data, there := all[path.Join(history, l.Path)]
		if !there {
			return append(faults, fmt.Sprintf("the manifest %q is missing", l.Path))
		}
		if got := c4(data.Data); got != l.C4 {
			return append(faults, fmt.Sprintf("the manifest %q is not the one in the chain", l.Path))
		}
		var list hashlist
		if err := xml.Unmarshal(data.Data, &list); err != nil {
			return append(faults, fmt.Sprintf("the manifest %q cannot be read: %v", l.Path, err))
		}
		faults = append(faults, c.compare(l.Path, list)...)
	}
	return faults
}

func (c copied) compare(manifest string, list hashlist) (faults []string) {
	for _, h := range list.Hashes {
		name := h.Path.Name
		e, there := c.files[name]
		if !there {
			faults = append(faults, fmt.Sprintf("%q is in %s and not there", name, manifest))
			continue
		}
		if h.Path.Size != nil && *h.Path.Size != int64(len(e.Data)) {
			faults = append(faults, fmt.Sprintf("%q has %d bytes, and %d in %s", name, len(e.Data), *h.Path.Size, manifest))
		}
		compared := 0
		for _, one := range []struct {
			said *digest
			is   func([]byte) string
		}{{h.MD5, md5Hex}, {h.SHA1, sha1Hex}, {h.C4, c4}} {
			if one.said == nil {
				continue
			}
			compared++
			if got := one.is(e.Data); !strings.EqualFold(got, one.said.Value) || one.said.Action == "failed" {
				faults = append(faults, fmt.Sprintf("%q is not what %s says", name, manifest))
			} else {
				c.sound[name] = true
			}
		}
		if h.XXH != nil && slices.Contains(c.taken, "xxh128") {
			compared++
			c.sound[name] = true
		}
		if compared == 0 {
			faults = append(faults, fmt.Sprintf("%q has no checksum in %s that could be compared here", name, manifest))
		}
	}
	return faults
}

// hold takes note of where each sound file stands.
func (c copied) hold(disks map[string]map[string]bool, disk string) {
	for name := range c.sound {
		if disks[name] == nil {
			disks[name] = map[string]bool{}
		}
		disks[name][disk] = true
	}
}

// soundOnly leaves out what is other than on the card.
func (c copied) soundOnly(card Tree) copied {
	sound := map[string]bool{}
	for name := range c.sound {
		if was, there := card[name]; there && bytes.Equal(was.Data, c.files[name].Data) {
			sound[name] = true
		}
	}
	c.sound = sound
	return c
}

// differs says in what the copy is other than the card; it may hold fewer files,
// since those that stand elsewhere already are not copied again.
func (c copied) differs(card Tree) string {
	for _, name := range slices.Sorted(maps.Keys(c.files)) {
		e := c.files[name]
		was, there := card[name]
		switch {
		case name == ".":
		case !there:
			return fmt.Sprintf("%q was not on the card", name)
		case was.Mode.Type() != e.Mode.Type():
			return fmt.Sprintf("%q is of another type than on the card", name)
		case !bytes.Equal(was.Data, e.Data):
			return fmt.Sprintf("%q differs from the card", name)
		}
	}
	return ""
}

func md5Hex(data []byte) string {
	sum := md5.Sum(data)
	return hex.EncodeToString(sum[:])
}

func sha1Hex(data []byte) string {
	sum := sha1.Sum(data)
	return hex.EncodeToString(sum[:])
}

// c4 is SMPTE ST 2114: "c4" and SHA-512 as a number to the base 58, 90
// characters in all.
func c4(data []byte) string {
	const digits = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
	sum := sha512.Sum512(data)
	n, base, rest := new(big.Int).SetBytes(sum[:]), big.NewInt(58), new(big.Int)
	out := []byte("c4" + strings.Repeat("1", 88))
	for i := len(out) - 1; n.Sign() > 0; i-- {
		n.DivMod(n, base, rest)
		out[i] = digits[rest.Int64()]
	}
	return string(out)
}
