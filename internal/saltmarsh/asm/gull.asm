; GULL: a gull flies across the screen of the Heron until a key is pressed.
; Assemble: z80asm -o gull.bin gull.asm    loads at 5200h, entry 5200h
        org     5200h
screen: equ     3c00h
keys:   equ     38ffh           ; every row of the keyboard at once

start:  call    clear
        ld      hl, title
        ld      de, screen+16
        call    print
again:  ld      b, 0            ; column
fly:    ld      a, b
        and     7
        ld      e, a
        ld      d, 0
        ld      hl, heights
        add     hl, de
        ld      l, (hl)         ; row 4..8, times 64
        ld      h, 0
        add     hl, hl
        add     hl, hl
        add     hl, hl
        add     hl, hl
        add     hl, hl
        add     hl, hl
        ld      de, screen
        add     hl, de
        ld      e, b
        ld      d, 0
        add     hl, de
        ld      (hl), 'v'
        ld      a, b
        and     1
        jr      z, wing
        ld      (hl), '^'
wing:   push    hl
        call    wait
        pop     hl
        ld      (hl), ' '
        ld      a, (keys)
        or      a
        ret     nz
        inc     b
        ld      a, b
        cp      64
        jr      nz, fly
        jr      again

wait:   push    bc
        ld      bc, 3000        ; 26 T-states a turn: about 44 ms at 1.774 MHz
delay:  dec     bc
        ld      a, b
        or      c
        jr      nz, delay
        pop     bc
        ret

clear:  ld      hl, screen
        ld      de, screen+1
        ld      bc, 1023
        ld      (hl), ' '
        ldir
        ret

print:  ld      a, (hl)
        or      a
        ret     z
        ld      (de), a
        inc     hl
        inc     de
        jr      print

heights: defb   4, 5, 6, 7, 8, 7, 6, 5
title:  defm    "A GULL OVER SALTMARSH - ANY KEY ENDS"
        defb    0
