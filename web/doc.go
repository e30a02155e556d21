// Package web is the workbench: the five steps of the job as a page in the browser, served from the same binary to the
// same machine and nobody else.
//
// A page that a browser shows can be reached by every other page that the browser shows, so a server on loopback is
// not private by being there. Five things make it so. The Host header must name loopback: a name that someone lets
// point to 127.0.0.1 does not. A request that changes anything must come from the page itself (Sec-Fetch-Site or
// Origin), and must carry a token that only the page knows. All files lie under one working folder that is opened
// once as a root, so that no name a browser sends leads out of it. And since loopback is shared by all accounts of a
// machine, only a browser that was opened with a key is answered at all (Options.Key; see gate).
//
// Worked example: "../../etc/passwd" as the path of a file that is added becomes etc/passwd below files/ of the
// working folder; asked for by GET /out/../../etc/passwd it is 404.
//
// Everything works without script except what needs it by nature (level and polarity while playing, recording); the
// script makes the same forms quicker.
package web
