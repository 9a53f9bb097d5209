//go:build !unix

package edge

import "io/fs"

// ownerOnly: the mode says nothing about who may read.
func ownerOnly(fs.FileMode) bool { return true }
