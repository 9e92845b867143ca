import type { CommandName, Layout } from './layout.js'

/** The bytes to send for a command, a fresh copy; undefined where the layout has no such command. */
export function command(layout: Layout, name: CommandName): Uint8Array | undefined {
  return layout.commands[name]?.bytes.slice()
}

/** True where the layout promises an acknowledgement of the command. */
export const expectsAcknowledgement = (layout: Layout, name: CommandName): boolean =>
  layout.commands[name]?.acknowledgement !== undefined

/** True where an answer (from `onAnswer`) acknowledges the command. */
export function acknowledges(layout: Layout, name: CommandName, answer: Uint8Array): boolean {
  const expected = layout.commands[name]?.acknowledgement
  if (expected?.length !== answer.length) return false
  return expected.every((byte, i) => byte < 0 || byte === answer[i])
}
