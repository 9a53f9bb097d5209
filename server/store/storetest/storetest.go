// Package storetest holds the conformance suite that every store.Store passes.
package storetest

import (
	"testing"

	"turnwise/server/store"
)

// Run runs the suite. open gives a fresh, empty store at every call.
func Run(t *testing.T, open func(t *testing.T) store.Store) {}
