; CRANE: steps the stepping motor of the model harbour crane, which hangs on port 40h: 200 steps up, 200 down.
; Assemble: z80asm -o crane.bin crane.asm    loads at 5800h, entry 5800h
        org     5800h
motor:  equ     40h

start:  ld      d, 200
        ld      a, 11h
up:     out     (motor), a
        rlca
        call    wait
        dec     d
        jr      nz, up
        ld      d, 200
down:   rrca
        out     (motor), a
        call    wait
        dec     d
        jr      nz, down
        xor     a
        out     (motor), a
        ret
wait:   push    af
        push    bc
        ld      bc, 700
loop:   dec     bc
        ld      a, b
        or      c
        jr      nz, loop
        pop     bc
        pop     af
        ret
