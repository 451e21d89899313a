// Package access says who may do what at a site: one table from every operation to the roles it takes, the competency it
// needs, what a signature under it means and whether a second person stands beside. It knows no passwords and asks no
// clock: who somebody is was settled before, and when it is, is told.
package access
