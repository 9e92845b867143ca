import { vi } from 'vitest'

/** Exit code of a command that runs in this process, all that it prints, and what of it a program would read. */
export async function printed<Code>(
  command: () => Code | Promise<Code>,
): Promise<{ code: Code; said: string; out: string }> {
  let said = ''
  let out = ''
  const streams = [process.stdout, process.stderr].map((stream) =>
    vi.spyOn(stream, 'write').mockImplementation((part) => {
      said += String(part)
      if (stream === process.stdout) out += String(part)
      return true
    }),
  )
  const code = await command()
  for (const stream of streams) stream.mockRestore()
  return { code, said, out }
}
