/** Looks again and again, until Ctrl-C: in place on a terminal, one look after the other in a pipe. */

export interface Watched {
  readonly everySeconds: number
  /** False where each look is a line for a program. */
  readonly inPlace: boolean
  lines(): Promise<readonly string[]>
}

/** @returns exit code: always 0, for it is ended by who looks */
export async function watchScreen({ everySeconds, inPlace, lines: look }: Watched): Promise<number> {
  const { stdout } = process
  const screen = stdout.isTTY && inPlace
  const ended = new AbortController()
  for (const signal of ['SIGINT', 'SIGTERM'] as const) process.once(signal, () => ended.abort())
  // Who reads the pipe has gone: nobody is left to tell.
  stdout.on('error', () => ended.abort())
  if (screen) stdout.write('\x1b[?25l\x1b[2J')
  while (!ended.signal.aborted) {
    const lines = await look()
    if (ended.signal.aborted) break
    if (screen) stdout.write(onScreen(lines, stdout.rows, stdout.columns))
    else stdout.write((inPlace ? [...lines, ''] : lines).join('\n') + '\n')
    await pause(everySeconds, ended.signal)
  }
  if (screen) stdout.write('\x1b[?25h\n')
  return 0
}

/** Writes over what stood there; what does not fit is said to be missing. */
export function onScreen(lines: readonly string[], rows = 24, columns = 80): string {
  const room = rows - 1
  const fit =
    lines.length <= room
      ? lines
      : [...lines.slice(0, room - 1), `… ${lines.length - room + 1} more lines: a taller window shows them`]
  return '\x1b[H' + fit.map((line) => line.slice(0, columns) + '\x1b[K\n').join('') + '\x1b[J'
}

function pause(seconds: number, until: AbortSignal): Promise<void> {
  return new Promise((resolve) => {
    const timer = setTimeout(resolve, seconds * 1000)
    until.addEventListener('abort', () => {
      clearTimeout(timer)
      resolve()
    })
  })
}
