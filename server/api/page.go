package api

import (
	"encoding/base64"
	"hash/fnv"
	"strconv"
	"strings"
)

// Page sizes.
const (
	defaultPage = 50
	maxPage     = 1000
)

// pageSize coerces what was asked for (AIP-158). Negative is an error.
func pageSize(asked int32, v *violations) int {
	switch {
	case asked < 0:
		v.add("page_size", "is "+strconv.Itoa(int(asked))+", expected 0 (the default) or more")
		return defaultPage
	case asked == 0:
		return defaultPage
	}
	return min(int(asked), maxPage)
}

// token makes an opaque page token of the key of the last entry sent. scope
// names the listing and its filters, so that a token of another one is refused.
func token(scope, key string) string {
	return base64.RawURLEncoding.EncodeToString([]byte(scopeMark(scope) + "." + key))
}

// parseToken returns the key of a token; "" for the first page.
func parseToken(scope, t string, v *violations) string {
	if t == "" {
		return ""
	}
	raw, err := base64.RawURLEncoding.DecodeString(t)
	mark, key, ok := strings.Cut(string(raw), ".")
	if err != nil || !ok || mark != scopeMark(scope) {
		v.add("page_token", "is not a token of this listing, expected next_page_token of the answer before, with the same filters")
		return ""
	}
	return key
}

func scopeMark(scope string) string {
	h := fnv.New32a()
	h.Write([]byte(scope))
	return strconv.FormatUint(uint64(h.Sum32()), 36)
}

// page cuts a list that is sorted by key: the entries after the key of the
// token, and the token of the next page.
func page[T any](list []T, key func(T) string, scope, pageToken string, size int, v *violations) ([]T, string) {
	after := parseToken(scope, pageToken, v)
	if after != "" {
		i := 0
		for i < len(list) && key(list[i]) <= after {
			i++
		}
		list = list[i:]
	}
	if len(list) <= size {
		return list, ""
	}
	return list[:size], token(scope, key(list[size-1]))
}
