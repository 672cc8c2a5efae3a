module firmus

go 1.26
