; Boot sector of a granule volume that holds no system. Assembled by z80asm in the tests and compared with
; notsystem.bin, which New embeds:
;	z80asm -o notsystem.bin notsystem.asm
;
; The machine reads cylinder 0 sector 0 to 4200h and jumps there. The first three bytes are data as well: readers of
; the volume take the cylinder of the directory from the third, so they are two instructions that do nothing here.

screen:	equ	03c00h		; 16 lines of 64 characters
line:	equ	64

	org	04200h

	nop
	cp	011h		; 11h: directory cylinder, set anew by New
	di			; nothing is there yet to serve an interrupt
	ld	hl,screen	; clear the screen
	ld	de,screen+1
	ld	bc,16*line-1
	ld	(hl),' '
	ldir
	ld	hl,text
	ld	de,screen+6*line+8
	ld	bc,text2-text
	ldir
	ld	hl,text2
	ld	de,screen+8*line+8
	ld	bc,text3-text2
	ldir
	ld	hl,text3
	ld	de,screen+9*line+8
	ld	bc,end-text3
	ldir
stop:	jr	stop		; until reset

text:	defm	'THIS DISK HOLDS FILES BUT NO SYSTEM.'
text2:	defm	'PUT A SYSTEM DISK IN THE FIRST DRIVE'
text3:	defm	'AND PRESS RESET.'
end:
	defs	04300h-end
