// Package offload is the copy engine: it brings one card's content to several
// drives and proves every copy.
//
// The way of a byte: the card is read once into aligned buffers of a bounded
// ring; the same buffers go to the checksums and to one writer per drive; each
// drive flushes its files, reads them back from the medium and compares; then
// the copy is finished: a sampled second look at every file, a manifest, a
// durable note for the ledger, one rename. Only then is the copy called proven.
//
// What it guarantees:
//   - a copy is [state.CopyProven] only when every file was flushed, read back
//     from the medium, not from memory, and agreed with what was read from the
//     card, and when its manifest and its final name are durable;
//   - nothing that stands on a drive is overwritten, renamed or removed, but
//     for its own folder whose name ends in [UnfinishedSuffix];
//   - a failed flush burns the file: it is written again under a new inode;
//   - memory does not grow with the size of the card or of its files, and by a
//     few hundred bytes for each file and drive;
//   - of a file that the card cannot give whole, every byte that can be read in
//     bounded time is saved under another name, and the rest is listed to the
//     byte; only one reading without a fault gives a file its own name;
//   - a file that a drive does not give back is written again elsewhere, and a
//     drive that keeps doing so is set aside;
//   - one drive that is slow to fail, fails or hangs takes nothing from others.
//
// What it will not do: it mounts nothing, knows no policy and gives no light.
// It never puts zeros for bytes that nobody is told are missing.
package offload
