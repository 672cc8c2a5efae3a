package calendar

// Folded is folded.
var Folded = folded
