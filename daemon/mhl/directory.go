package mhl

import (
	"fmt"
	"maps"
	"path"
	"slices"
	"strings"

	"bothy/daemon/checksum"
)

// folderHash has, by algorithm, the two values that the standard gives a
// folder: content changes with what lies in it, structure also with the names.
type folderHash struct {
	Content, Structure map[string]string
}

// folderHashes computes the hashes of every folder and, under ".", of the root.
// They are taken in those algorithms in which every file has a value; xxh128
// when there is no file at all. dirs must hold every parent.
func folderHashes(files []FileHash, dirs []string) (map[string]folderHash, error) {
	result := make(map[string]folderHash, len(dirs)+1)
	for _, dir := range append([]string{"."}, dirs...) {
		result[dir] = folderHash{map[string]string{}, map[string]string{}}
	}
	for _, algorithm := range commonAlgorithms(files) {
		if err := addFolderHashes(result, files, algorithm); err != nil {
			return nil, err
		}
	}
	return result, nil
}

func commonAlgorithms(files []FileHash) []string {
	if len(files) == 0 {
		return []string{checksum.XXH128}
	}
	common := slices.Sorted(maps.Keys(files[0].values()))
	for _, f := range files[1:] {
		common = slices.DeleteFunc(common, func(a string) bool { return a != f.Algorithm && f.Others[a] == "" })
	}
	return common
}

// members collects the values of what lies directly in a folder.
type members struct{ content, structure []string }

func addFolderHashes(result map[string]folderHash, files []FileHash, algorithm string) error {
	inside := make(map[string]*members, len(result))
	for dir := range result {
		inside[dir] = &members{}
	}
	add := func(name, content, structure string) error {
		named, err := hashName(algorithm, path.Base(name), structure)
		if err != nil {
			return fmt.Errorf("hash folder of %s: %w", name, err)
		}
		parent := inside[path.Dir(name)]
		parent.content = append(parent.content, content)
		parent.structure = append(parent.structure, named)
		return nil
	}
	for _, f := range files {
		value := f.values()[algorithm]
		if err := add(f.Path, value, value); err != nil {
			return err
		}
	}
	// Deepest first, so that a folder is complete when its parent takes it in.
	order := slices.SortedFunc(maps.Keys(result), func(a, b string) int { return depth(b) - depth(a) })
	for _, dir := range order {
		content, err := hashList(algorithm, inside[dir].content)
		if err != nil {
			return fmt.Errorf("hash folder %s: %w", dir, err)
		}
		structure, err := hashList(algorithm, inside[dir].structure)
		if err != nil {
			return fmt.Errorf("hash folder %s: %w", dir, err)
		}
		result[dir].Content[algorithm], result[dir].Structure[algorithm] = content, structure
		if dir != "." {
			if err := add(dir, content, structure); err != nil {
				return err
			}
		}
	}
	return nil
}

// depth orders the root before its folders.
func depth(dir string) int {
	if dir == "." {
		return 0
	}
	return 1 + strings.Count(dir, "/")
}

// hashName binds a name to a value: the hash of the name's bytes followed by
// the value's digest.
func hashName(algorithm, name, value string) (string, error) {
	return hashDigests(algorithm, name, []string{value})
}

// hashList hashes the digests of values in the order of their spelling.
func hashList(algorithm string, values []string) (string, error) {
	slices.Sort(values)
	return hashDigests(algorithm, "", values)
}

func hashDigests(algorithm, prefix string, values []string) (string, error) {
	h, err := checksum.New(algorithm)
	if err != nil {
		return "", err
	}
	h.Write([]byte(prefix))
	for _, value := range values {
		digest, err := checksum.Decode(algorithm, value)
		if err != nil {
			return "", err
		}
		h.Write(digest)
	}
	return h.Sum(), nil
}
