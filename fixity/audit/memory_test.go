package audit_test

func measured([]byte) error { return nil }
