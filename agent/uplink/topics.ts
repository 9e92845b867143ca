/** Number of the topic layout and of the JSON on it. */
export const topicFormat = 1

const root = `motepost/${topicFormat}`

/** `what` is lines, averages, alerts/<rule>, health, alive or receipt. */
export const topicOf = (group: string, station: string, what: string): string =>
  `${root}/${group}/${station}/${what}`

export const linesOfGroup = (group: string): string => `${root}/${group}/+/lines`

/** The station of a topic `…/<group>/<station>/<what>`; undefined for any other topic. */
export function stationOf(topic: string, group: string, what: string): string | undefined {
  const before = `${root}/${group}/`
  const after = `/${what}`
  if (!topic.startsWith(before) || !topic.endsWith(after)) return undefined
  const station = topic.slice(before.length, -after.length)
  return station === '' || station.includes('/') ? undefined : station
}
