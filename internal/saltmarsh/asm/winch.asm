; WINCH: a game: hold the space bar to haul the net; let go before the rope breaks. Tape program for 16 KiB.
; Assemble: z80asm -o winch.bin winch.asm    loads at 4a00h, entry 4a00h
        org     4a00h
screen: equ     3c00h
spacerow: equ   3840h           ; row with the space bar: bit 7

start:  ld      hl, screen
        ld      de, screen+1
        ld      bc, 1023
        ld      (hl), ' '
        ldir
        ld      hl, text
        ld      de, screen+64*2+10
        ld      bc, textend-text
        ldir
        ld      b, 0            ; length hauled
        ld      c, 0            ; strain
turn:   ld      a, (spacerow)
        rlca
        jr      nc, slack
        inc     b
        inc     c
        inc     c
        jr      show
slack:  ld      a, c
        or      a
        jr      z, show
        dec     c
show:   ld      hl, screen+64*8
        ld      a, b
        call    bar
        ld      hl, screen+64*10
        ld      a, c
        call    bar
        call    wait
        ld      a, c
        cp      60
        jr      nc, broke
        ld      a, b
        cp      200
        jr      c, turn
        ld      hl, won
        jr      say
broke:  ld      hl, lost
say:    ld      de, screen+64*13+10
        ld      bc, 24
        ldir
        ret

; bar draws a/4 signs from hl on
bar:    push    bc
        srl     a
        srl     a
        ld      b, a
        inc     b
draw:   ld      (hl), '='
        inc     hl
        djnz    draw
        ld      (hl), ' '
        pop     bc
        ret
wait:   push    bc
        ld      bc, 2500
spin:   dec     bc
        ld      a, b
        or      c
        jr      nz, spin
        pop     bc
        ret
text:   defm    "HAUL WITH THE SPACE BAR - UPPER: NET  LOWER: STRAIN"
textend:
won:    defm    "THE NET IS IN. WELL DONE"
lost:   defm    "THE ROPE BROKE. TRY ON. "
