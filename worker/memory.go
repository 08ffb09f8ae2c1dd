package worker

// How much garbage may come to what is in use, in percent of it, before it is collected (GOGC; GOMEMLIMIT holds all the same). What a
// pass makes is garbage at its end, and the heap is small: at Go's 100 a quarter of the time of assess and 7 % of that of serve went
// into collecting, and into telling the collector of each pointer that was written meanwhile. More than this gained nothing that could
// be measured.
const (
	ServeGCPercent  = 200
	AssessGCPercent = 400
)
