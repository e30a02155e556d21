; BEACON: shows the light of the Heron Point lighthouse: two flashes every ten seconds, on the whole screen.
; Assemble: z80asm -o beacon.bin beacon.asm    loads at 5200h, entry 5200h
        org     5200h
screen: equ     3c00h

start:  ld      c, 6            ; a minute
period: call    flash
        call    flash
        ld      e, 8
dark:   call    second
        dec     e
        jr      nz, dark
        dec     c
        jr      nz, period
        ret
flash:  ld      a, 0bfh         ; the full graphics cell
        call    fill
        ld      e, 1
        call    part
        ld      a, 80h          ; the empty one
        call    fill
        ld      e, 3
part:   call    quarter
        dec     e
        jr      nz, part
        ret
second: ld      b, 4
four:   push    bc
        call    quarter
        pop     bc
        djnz    four
        ret
quarter: push   bc
        ld      bc, 17000       ; 26 T-states a turn: 0.25 s at 1.774 MHz
turn:   dec     bc
        ld      a, b
        or      c
        jr      nz, turn
        pop     bc
        ret
fill:   push    bc
        push    de
        ld      hl, screen
        ld      de, screen+1
        ld      bc, 1023
        ld      (hl), a
        ldir
        pop     de
        pop     bc
        ret
