// Package alerts decides who is told what, when, and again; it words every mail and defines the outbox. Pure: the time
// is a parameter, nothing is sent from here.
//
// A fact's way: facts (Incident, Sweep, ...) -> Layouts.Render words them once -> Policy.Plan makes one Row a
// recipient -> the caller stores the rows in the commit of the fact itself -> alerts/mail claims, sends, answers.
package alerts
