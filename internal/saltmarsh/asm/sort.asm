; SORT: sorts the lines of a list of ships at 7000h: 16 characters each, a first character of 0 ends it.
; Assemble: z80asm -o sort.bin sort.asm    loads at 5400h, entry 5400h
        org     5400h
list:   equ     7000h
length: equ     16

start:  ld      c, 0            ; set when two were exchanged
        ld      hl, list
pair:   ld      a, (hl)
        or      a
        jr      z, end
        push    hl
        ld      de, length
        add     hl, de
        ex      de, hl
        pop     hl              ; hl this one, de the next
        ld      a, (de)
        or      a
        jr      z, end
        push    hl
        push    de
        ld      b, length
comp:   ld      a, (de)
        cp      (hl)
        jr      c, swap
        jr      nz, right
        inc     hl
        inc     de
        djnz    comp
right:  pop     hl              ; the next becomes this
        pop     de
        jr      pair
swap:   pop     de
        pop     hl
        push    de
        ld      b, length
each:   ld      a, (de)
        push    af
        ld      a, (hl)
        ld      (de), a
        pop     af
        ld      (hl), a
        inc     hl
        inc     de
        djnz    each
        ld      c, 1
        pop     hl
        jr      pair
end:    ld      a, c
        or      a
        jr      nz, start
        ret
