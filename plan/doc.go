// Package plan decides which file goes on which disk and which tape side.
//
// A volume offers two things, and either can run out first: allocation units (granules, clusters, blocks) and directory
// slots. Packing files on as few volumes as possible is therefore bin packing with two sizes. It has no quick exact
// answer, but good ones and a proof of how good: a lower bound is printed beside the result, and where the two agree
// nothing better exists.
//
// Worked example: eleven files of 23 or 24 granules for disks of 67. The sum, 256 granules, would allow 4 disks; but
// three of these files never fit one disk (3 x 23 = 69), so at least ceil(11/2) = 6 are needed, and 6 do.
//
// What is packed as one piece is an item: a file, or the files of a group that must stay together.
package plan
