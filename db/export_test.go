package db

// VerifyIn is Verify within a transaction, so that a test can tamper, look, and take it back.
var VerifyIn = verify
