// Package tracer runs a program and stands between it and the kernel: each
// system call by which it reads or writes a file stops, can be failed, cut
// short, kept waiting, or be the last thing the program ever does.
//
// It is for tests, on Linux on amd64. The program asks for it by itself, calling
// [Filter] before anything else; calls that are no I/O never stop, so a program
// under it is hardly slower.
//
// What it does not see: reading and writing through a mapping (SQLite's -shm
// file), locks, and what the kernel does by itself.
package tracer
