package sqlite

/*
#include <malloc.h>

#ifdef __GLIBC__
// Before main: a thread that has an arena keeps it.
__attribute__((constructor)) static void one_arena(void) { mallopt(M_ARENA_MAX, 1); }
#endif
*/
import "C"

// All memory of SQLite comes from one arena. The C library would give each thread
// its own, up to eight a processor, and what a connection frees stays in the arena
// of the thread it was taken on: as the queries of one connection run now on this
// thread, now on that, a bounded page cache would come to be held many times over,
// and the memory of a server would rise for as long as threads come. No time is
// lost by it, for SQLite takes memory under one lock of its own.
