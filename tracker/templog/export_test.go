package templog

// TableOnly turns off the quick way of the plain form, so that a test can compare it with the table's.
func TableOnly(p *Parser) { p.fast = nil }
