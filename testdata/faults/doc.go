// Package faults holds tests that put the box through every fault that its
// input and output can have: the supervisor with its engine, manifests and
// ledger runs as a process of its own, each of its system calls on a card, a
// drive or its state folder is a site, and at each site the call fails, is cut
// short, hangs, or is the last one before or after which the process dies. Then
// the next life has to come to the right end by itself, and one more must change
// nothing. An oracle that knows the original bytes judges what was claimed.
//
// Killing a process loses nothing that it has written. What a power cut loses
// besides is modelled for the drives: a record of what was flushed since when
// tells what would be left of them.
package faults
