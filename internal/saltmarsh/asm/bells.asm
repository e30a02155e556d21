; BELLS: says how many bells a ship's watch strikes at a half hour from 0 to 47, for a caller in BASIC:
; the half hour in A, the bells back in A. Assemble: z80asm -o bells.bin bells.asm   7f00h
        org     7f00h
bells:  ld      hl, 0
        cp      48
        jr      nc, none
        or      a
        jr      z, eight
        dec     a
        and     7               ; eight half hours a watch
        inc     a
        ret
eight:  ld      a, 8            ; midnight ends a watch
        ret
none:   xor     a
        ret
