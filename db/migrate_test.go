package db_test

import (
	"fmt"
	"regexp"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"vialward/db"
	"vialward/db/dbtest"
)

// Who may not migrate is told what to have done once, and with just that done it works: no superuser and no right to
// make roles is needed from then on.
func TestMigratingWithoutTheRights(t *testing.T) {
	t.Parallel()
	dsn := dbtest.Empty(t)
	c, err := pgx.ParseConfig(dsn)
	require.NoError(t, err)
	guest := "guest_" + c.Database
	dbtest.Exec(t, dsn, fmt.Sprintf(`create role %q login password 'guest'`, guest))
	defer dbtest.Exec(t, dsn, fmt.Sprintf(`reassign owned by %q to current_user; drop owned by %q; drop role %q`, guest, guest, guest))
	theirs := fmt.Sprintf("host=%s port=%d user=%s password=guest dbname=%s", c.Host, c.Port, guest, c.Database)

	err = db.Migrate(t.Context(), theirs)
	require.ErrorContains(t, err, "permission denied")
	remedy := regexp.MustCompile(`once, as a superuser: (create role vialward_daemon nologin); (grant .*)$`).FindStringSubmatch(err.Error())
	require.NotNil(t, remedy, "%v", err)
	dbtest.Exec(t, dsn, remedy[2]) // the role itself is there: this cluster's other tests made it
	require.NoError(t, db.Migrate(t.Context(), theirs))
	d, err := db.Open(t.Context(), theirs)
	require.NoError(t, err)
	defer d.Close()
	_, err = d.NewSite(t.Context(), "A", "America/New_York")
	require.NoError(t, err)
}
