import type { Clock } from '../terms/terms.js'

export const print = (line: string): void => void process.stdout.write(line + '\n')

const storyBegins = 6 * 3600

/** Time of day of the story, so many seconds after its beginning. */
export function clockText(seconds: number): string {
  const at = storyBegins + seconds
  const two = (n: number): string => String(Math.floor(n)).padStart(2, '0')
  return `${two(at / 3600)}:${two((at / 60) % 60)}`
}

/** Says things with the time of the story in front. */
export function narrator(clock: Clock, began: number): (words: string) => void {
  return (words) => print(`${clockText(clock.mono() - began)}  ${words}`)
}
