package workbook

// LoadBy reads a file that is opened in another way.
var LoadBy = load
