package sqlite

import "log/slog"

// quiet logs nothing: refusals are what the tests provoke.
var quiet = slog.New(slog.DiscardHandler)
