// Command server is a bench of fixed numbers for the browser tests of the web
// page: it serves the dashboard with a hub that it feeds itself, and a second
// address on which a test says what happens next.
//
// It is no part of the product. It shares no code with the simulator or the
// detector: what the page must show is written here in plain figures.
package main
