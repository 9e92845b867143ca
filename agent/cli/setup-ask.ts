import { createInterface } from 'node:readline/promises'

/** Asks one question; an empty answer, or the end of the input, is the usual one. */
export type Ask = (question: string, usual: string) => string | Promise<string>

export function askAtTerminal(): Ask {
  return async (question, usual) => {
    const lines = createInterface({ input: process.stdin, output: process.stdout })
    const closed = new Promise<string>((resolve) => lines.once('close', () => resolve('')))
    const answer = (await Promise.race([lines.question(`${question} [${usual}]: `), closed])).trim()
    lines.close()
    return answer === '' ? usual : answer
  }
}
