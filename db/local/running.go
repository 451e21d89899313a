package local

// Running is the address of one database of the Postgres another process runs in a state folder: for commands beside a
// daemon. It does not look whether that one still runs; connecting says so.
func Running(folder, database string) (string, error) {
	at, err := place(folder)
	if err != nil {
		return "", err
	}
	return (&Server{at: at}).DSN(database), nil
}
