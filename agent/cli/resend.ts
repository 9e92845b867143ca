import { askStation, reachStation, refusalText } from './reach-station.js'

/**
 * Has the running station send again what the broker did not take.
 * @returns exit code: 0 done, 1 no station answers or it sends nothing, 2 settings that cannot be used
 */
export async function resend(file: string): Promise<number> {
  const reached = reachStation(file)
  if (!reached) return 2
  const asked = await askStation(reached.settings, { do: 'resend' })
  const refused = refusalText(asked)
  process.stdout.write(`${refused ?? (asked as { value: { words: string } }).value.words}\n`)
  return refused === undefined ? 0 : 1
}
