// Package udev turns what the kernel and udev know about block devices into
// plain Device values: once (Tree), again and again (Monitor), and as a
// difference (Diff).
//
// Events are hints; the list is the truth. A Monitor never acts on what an
// event says: any event, any fault of the event stream and a slow timer lead to
// the same thing, a fresh walk over /sys/class/block together with udev's
// database below /run/udev/data.
//
// What is guaranteed: a device that vanishes while it is looked at is left out
// and never an error; one device that cannot be read does not hide another; a
// Device is never put together from two insertions (the disk sequence number is
// compared before and after); what udev recorded for an earlier medium in the
// same slot is not passed off as the present one's; everything that is read is
// bounded in size; text meant for people holds no control characters.
//
// What this package does not do: it opens no device node, mounts nothing,
// writes nothing, starts no program and decides nothing. It does not look
// inside a medium: label, type and UUID of a file system are udev's word. A
// media change in a reader shows only after the kernel has noticed it, which
// may take its polling interval (2 s is udev's default); whoever is about to
// claim something asks the node itself.
package udev
