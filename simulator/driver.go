package main

// The database driver is one large C file, half a minute of one processor the
// first time. Named here, where the build looks first, it is compiled beside
// all else and not at the end; nothing here uses it.
import _ "github.com/mattn/go-sqlite3"
