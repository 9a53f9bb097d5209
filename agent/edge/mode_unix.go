//go:build unix

package edge

import "io/fs"

func ownerOnly(m fs.FileMode) bool { return m.Perm()&0o077 == 0 }
