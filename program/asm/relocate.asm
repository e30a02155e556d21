; Relocating loader: puts parts of a program where the resident disk system lies, after loading is over.
;
; A load module cannot load over the system that is loading it. So those parts load somewhere else, and this code,
; where the module begins, copies each to its place and jumps to the program. It uses no stack (the system's may be
; among what is overwritten), calls nothing, and runs wherever it is put: only the address of the table is patched.
;
; The table has six bytes a row, words low byte first:
;   source, destination, length      copy
;   entry,  0,           0           end: jump to entry
; Rows are copied in order. Interrupts stay off: their handler was the system's.
;
; Assembled and compared with the bytes in the program by program/relocate_test.go.

        org 0
        di
        ld ix,table             ; patched: offset 3 and 4
row:    ld l,(ix+0)
        ld h,(ix+1)
        ld e,(ix+2)
        ld d,(ix+3)
        ld c,(ix+4)
        ld b,(ix+5)
        ld a,b
        or c
        jr z,go
        ldir
        ld de,6
        add ix,de
        jr row
go:     jp (hl)
table:
